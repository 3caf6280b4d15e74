DROP TRIGGER launch_before_surveys ON vessels;
DROP FUNCTION check_launch_before_surveys();
