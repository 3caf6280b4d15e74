DROP TABLE delivery_attempts, deliveries, subscription_secrets, subscriptions, told_drying, told_dates, event_order, events;
DROP FUNCTION request_delivery();
DROP FUNCTION order_event();
