DROP TABLE haul_outs;
