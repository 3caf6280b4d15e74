DROP TRIGGER due_removed ON due;
DROP TRIGGER due_ended ON due;
DROP FUNCTION keep_ended_due();
DROP TABLE due_ended;
DROP TABLE calendar_feeds;
