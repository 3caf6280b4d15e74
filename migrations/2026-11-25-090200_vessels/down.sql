DROP TABLE vessel_zones, vessels;
