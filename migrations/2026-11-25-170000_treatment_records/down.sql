ALTER TABLE treatment_entries DROP CONSTRAINT treatment_entries_step_check;
ALTER TABLE treatment_entries ADD CONSTRAINT treatment_entries_step_check CHECK (step IN ('wash_down', 'degrease', 'abrade', 'strip', 'salt_check', 'dry', 'seal', 'fair', 'adhesion_check', 'barrier', 'antifouling'));
DROP TABLE treatment_records;
