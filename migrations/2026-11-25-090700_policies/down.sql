DROP TABLE policies;
