DROP TRIGGER launch_before_haul_outs ON vessels;
DROP TABLE haul_outs;
DROP FUNCTION check_launch_before_haul_outs();
DROP FUNCTION check_haul_out_after_launch();
DROP FUNCTION days_ashore(date, date);
