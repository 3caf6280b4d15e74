DROP TABLE products;
