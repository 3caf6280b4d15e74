//! Colours for readings: a straight line through CIELAB (CIE 1976 L*a*b*, CIE 15) from a light yellow to a dark blue.
//!
//! Equal steps of a reading are equal steps of the eye, and lightness falls all the way, so that the order shows without
//! seeing colours, in grey print too. Yellow and blue are told apart by eyes that do not tell red from green.

/// L*, a*, b* of the lowest reading: (lightness 0 to 100).
const LOWEST: [f64; 3] = [93.0, -6.0, 42.0];
/// Of the highest.
const HIGHEST: [f64; 3] = [30.0, 8.0, -42.0];
/// Below this lightness, letters are white.
const DARK: f64 = 49.5;
/// The white of sRGB: CIE standard illuminant D65, 2 degrees (IEC 61966-2-1).
const WHITE: [f64; 3] = [0.950_47, 1.0, 1.088_83];

/// A colour to fill with, and the one to write on it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Colours {
    /// As `#rrggbb`.
    pub fill: String,
    /// As `#rrggbb`.
    pub ink: &'static str,
}

/// The colours of a reading that lies at `share` of the way from the lowest to the highest, 0 to 1.
#[must_use]
pub fn colours(share: f64) -> Colours {
    let share = share.clamp(0.0, 1.0);
    let lab: [f64; 3] = std::array::from_fn(|n| LOWEST[n] + (HIGHEST[n] - LOWEST[n]) * share);
    let [red, green, blue] = srgb(lab);
    let ink = if lab[0] < DARK { "#ffffff" } else { "#000000" };
    Colours { fill: format!("#{red:02x}{green:02x}{blue:02x}"), ink }
}

/// The place of a value between the lowest and the highest, 0 to 1; in the middle where they are the same.
#[must_use]
pub fn share(value: f64, lowest: f64, highest: f64) -> f64 {
    if highest > lowest { ((value - lowest) / (highest - lowest)).clamp(0.0, 1.0) } else { 0.5 }
}

/// CIELAB to sRGB (IEC 61966-2-1), each 0 to 255.
#[expect(clippy::many_single_char_names, reason = "the letters of the standards")]
fn srgb([l, a, b]: [f64; 3]) -> [u8; 3] {
    let fy = (l + 16.0) / 116.0;
    let delta: f64 = 6.0 / 29.0;
    let cube = |t: f64| if t > delta { t.powi(3) } else { 3.0 * delta * delta * (t - 4.0 / 29.0) };
    let [x, y, z] = [cube(fy + a / 500.0) * WHITE[0], cube(fy) * WHITE[1], cube(fy - b / 200.0) * WHITE[2]];
    [
        3.240_454_2 * x - 1.537_138_5 * y - 0.498_531_4 * z,
        -0.969_266 * x + 1.876_010_8 * y + 0.041_556 * z,
        0.055_643_4 * x - 0.204_025_9 * y + 1.057_225_2 * z,
    ]
    .map(|linear| {
        let linear = linear.clamp(0.0, 1.0);
        let coded =
            if linear <= 0.003_130_8 { 12.92 * linear } else { 1.055 * linear.powf(1.0 / 2.4) - 0.055 };
        byte(coded)
    })
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 1 becomes 0 to 255")]
fn byte(coded: f64) -> u8 {
    (coded * 255.0).round() as u8
}

#[cfg(test)]
mod tests {
    use super::{colours, share};

    // Lightness J' and distance of neighbours (CAM02-UCS, Luo, Cui and Li 2006) of these eleven colours as normal eyes see
    // them, and J' as deuteranopes, protanopes and tritanopes do (Machado, Oliveira and Fernandes 2009), by the reference
    // library colorspacious 1.1.2 (PyPI): see the table in tests/reference/dossier_colours.json, read here.
    const TABLE: &str = include_str!("../../../../tests/reference/dossier_colours.json");

    #[test]
    fn the_colours_are_those_that_were_assessed_and_their_steps_are_even() {
        let table: serde_json::Value = serde_json::from_str(TABLE).expect("the table is JSON");
        let cases = table["cases"].as_array().expect("cases");
        assert_eq!(cases.len(), 11);
        let number = |case: &serde_json::Value, name: &str| case[name].as_f64().expect("a number");
        for case in cases {
            assert_eq!(colours(number(case, "share")).fill, case["fill"].as_str().expect("a colour"));
        }
        for eye in ["normal_lightness", "deuteranope_lightness", "protanope_lightness", "tritanope_lightness"]
        {
            for pair in cases.windows(2) {
                let step = number(&pair[0], eye) - number(&pair[1], eye);
                assert!(step > 3.0, "{eye}: {pair:?}");
            }
        }
        let steps: Vec<f64> = cases.iter().skip(1).map(|case| number(case, "distance_to_last")).collect();
        let mean = steps.iter().sum::<f64>() / 10.0;
        assert!(steps.iter().all(|step| (step / mean - 1.0).abs() < 0.3), "{steps:?}");
    }

    #[test]
    fn letters_can_be_read_on_every_colour() {
        // Contrast of WCAG 2.2, success criterion 1.4.3: 4.5 to 1 at least.
        let luminance = |colour: &str| {
            let channel = |n: usize| {
                let coded =
                    f64::from(u8::from_str_radix(colour.get(n..n + 2).expect("hex"), 16).expect("hex"))
                        / 255.0;
                if coded <= 0.040_45 { coded / 12.92 } else { ((coded + 0.055) / 1.055).powf(2.4) }
            };
            0.2126 * channel(1) + 0.7152 * channel(3) + 0.0722 * channel(5)
        };
        for n in 0..=100 {
            let colours = colours(f64::from(n) / 100.0);
            let (one, two) = (luminance(&colours.fill) + 0.05, luminance(colours.ink) + 0.05);
            assert!(one.max(two) / one.min(two) >= 4.5, "{n}: {colours:?}");
        }
    }

    #[test]
    fn a_value_has_its_place() {
        assert!((share(5.0, 0.0, 20.0) - 0.25).abs() < 1e-12);
        assert!((share(7.0, 7.0, 7.0) - 0.5).abs() < 1e-12);
        assert!((share(30.0, 0.0, 20.0) - 1.0).abs() < 1e-12);
    }
}
