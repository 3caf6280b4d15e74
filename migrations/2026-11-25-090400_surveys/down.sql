DROP VIEW current_findings, current_readings, signed_surveys, current_surveys;
DROP TRIGGER haul_out_holds_surveys ON haul_outs;
DROP TABLE finding_versions, findings, readings, survey_versions, surveys, stations;
DROP FUNCTION check_haul_out_holds_surveys();
DROP FUNCTION check_survey_within_haul_out();
