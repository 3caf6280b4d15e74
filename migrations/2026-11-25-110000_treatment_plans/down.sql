DROP TABLE treatment_entries, treatment_plan_versions, treatment_plans;
