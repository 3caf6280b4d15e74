DROP TABLE due, forecasts;
