DROP TABLE coat_films;
