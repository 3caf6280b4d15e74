DROP TABLE program_secrets, programs;
