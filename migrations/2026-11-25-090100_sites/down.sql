DROP TABLE site_months, sites;
