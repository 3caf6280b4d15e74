//! What is drawn on pages, as SVG 1.1 made on the server. Drawn with attributes of place and with classes, so that the
//! policy without styles within a page holds, and print and dark mode need no second drawing. Each drawing is made for
//! the width it is shown at, so that its words keep their size.

pub mod chart;
pub mod lives;
pub mod proof;
pub mod risk;
pub mod timeline;
pub mod water;
