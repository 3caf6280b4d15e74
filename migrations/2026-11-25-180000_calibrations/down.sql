DROP TABLE pooled_sums;
DROP TABLE learning_settings;
DROP TABLE calibration_previews;
DROP TABLE calibration_choices;
DROP TABLE calibrations;
