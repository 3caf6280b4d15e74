//! A survey's stations on the skin unfolded, as SVG 1.1.

use std::fmt::Write as _;

use super::colour::{colours, share};
use super::readings::printed;
use crate::features::vessels::model::{Side, Zone};

/// Width of the drawing, in its own units.
const WIDTH: f64 = 760.0;
const LEFT: f64 = 58.0;
const RIGHT: f64 = 22.0;
const TOP: f64 = 16.0;
/// Half a marker.
const RADIUS: f64 = 12.5;
/// Half the height of the skin, at least and at most.
const HALF: (f64, f64) = (88.0, 190.0);
/// Steps of the legend.
const SWATCHES: u32 = 6;

/// A station to draw.
#[derive(Debug, Clone)]
pub struct Mark {
    /// What it is called.
    pub code: String,
    /// The side.
    pub side: Side,
    /// The zone.
    pub zone: Zone,
    /// Aft from the forward end of the waterline.
    pub x_m: f64,
    /// Up from the centreline, along the skin.
    pub girth_m: f64,
    /// What was read.
    pub value: f64,
}

/// What the drawing shows and how far its scales go: the same for all surveys of a hull, so that they can be compared.
#[derive(Debug, Clone)]
pub struct Frame {
    /// Says what is drawn, for those who do not see it.
    pub title: String,
    /// The meter's scale.
    pub scale: String,
    /// The lowest reading on this scale.
    pub lowest: f64,
    /// The highest.
    pub highest: f64,
    /// How far aft the skin goes.
    pub length_m: f64,
    /// How far it goes up from the centreline.
    pub girth_m: f64,
}

/// Text made harmless for XML.
#[must_use]
pub fn escaped(text: &str) -> String {
    text.chars()
        .map(|c| match c {
            '&' => "&amp;".to_owned(),
            '<' => "&lt;".to_owned(),
            '>' => "&gt;".to_owned(),
            '"' => "&quot;".to_owned(),
            '\'' => "&#39;".to_owned(),
            c if c.is_control() => " ".to_owned(),
            c => c.to_string(),
        })
        .collect()
}

/// Where things are on the drawing.
struct Plan {
    /// Forward end of what is drawn, m.
    from_m: f64,
    per_m_along: f64,
    per_m_up: f64,
    half: f64,
    centre: f64,
}

impl Plan {
    fn of(frame: &Frame, marks: &[Mark]) -> Self {
        let from_m = marks.iter().map(|mark| mark.x_m).fold(0.0, f64::min);
        let to_m = marks.iter().map(|mark| mark.x_m).fold(frame.length_m, f64::max);
        let girth_m = marks.iter().map(|mark| mark.girth_m).fold(frame.girth_m, f64::max).max(0.1);
        let per_m_along = (WIDTH - LEFT - RIGHT) / (to_m - from_m).max(0.1);
        let half = (girth_m * per_m_along).clamp(HALF.0, HALF.1);
        // A marker at the edge of the skin is still on it.
        Self { from_m, per_m_along, per_m_up: (half - RADIUS - 3.0) / girth_m, half, centre: TOP + half }
    }

    fn x(&self, x_m: f64) -> f64 {
        LEFT + (x_m - self.from_m) * self.per_m_along
    }

    /// Port above, starboard below.
    fn y(&self, side: Side, girth_m: f64) -> f64 {
        match side {
            Side::Port => self.centre - girth_m * self.per_m_up,
            Side::Starboard => self.centre + girth_m * self.per_m_up,
        }
    }
}

/// The drawing.
#[must_use]
pub fn drawn(frame: &Frame, marks: &[Mark]) -> String {
    let plan = Plan::of(frame, marks);
    let bottom = plan.centre + plan.half;
    let height = bottom + 92.0;
    let mut svg = format!(
        "<svg class=\"map\" xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH:.0} {height:.0}\" role=\"img\" aria-label=\"{}\">",
        escaped(&frame.title)
    );
    skin(&mut svg, &plan);
    axis(&mut svg, &plan, frame, bottom);
    let mut placed: Vec<(f64, f64)> = Vec::new();
    for mark in marks {
        let true_place = (plan.x(mark.x_m), plan.y(mark.side, mark.girth_m));
        let place = free_place(true_place, &placed);
        marker(&mut svg, mark, frame, true_place, place);
        placed.push(place);
    }
    legend(&mut svg, frame, bottom + 48.0);
    svg.push_str("</svg>");
    svg
}

fn line(svg: &mut String, from: (f64, f64), to: (f64, f64), style: &str) {
    write!(svg, "<path d=\"M{:.1} {:.1}L{:.1} {:.1}\" {style}/>", from.0, from.1, to.0, to.1).ok();
}

fn words(svg: &mut String, at: (f64, f64), style: &str, text: &str) {
    write!(svg, "<text x=\"{:.1}\" y=\"{:.1}\" {style}>{}</text>", at.0, at.1, escaped(text)).ok();
}

/// The skin, unfolded: its shape only says which end is which.
fn skin(svg: &mut String, plan: &Plan) {
    let (bow, stern) = (plan.x(plan.from_m.min(0.0)) - 16.0, WIDTH - RIGHT + 12.0);
    let (centre, half) = (plan.centre, plan.half);
    let along = |share: f64| bow + (stern - bow) * share;
    write!(
        svg,
        "<path d=\"M{bow:.1} {centre:.1}C{:.1} {:.1} {:.1} {:.1} {:.1} {:.1}L{:.1} {:.1}Q{stern:.1} {:.1} {stern:.1} {:.1}L{stern:.1} {:.1}Q{stern:.1} {:.1} {:.1} {:.1}L{:.1} {:.1}C{:.1} {:.1} {:.1} {:.1} {bow:.1} {centre:.1}Z\" fill=\"#f3f3f0\" stroke=\"#8a8a86\"/>",
        bow, centre - half * 0.8, along(0.05), centre - half, along(0.16), centre - half,
        along(0.93), centre - half, centre - half, centre - half * 0.8,
        centre + half * 0.8, centre + half, along(0.93), centre + half,
        along(0.16), centre + half, along(0.05), centre + half, bow, centre + half * 0.8,
    )
    .ok();
    line(svg, (bow, centre), (stern, centre), "stroke=\"#8a8a86\" stroke-dasharray=\"6 4\"");
    let turned = |y: f64| {
        format!("transform=\"rotate(-90 14 {y:.1})\" text-anchor=\"middle\" font-size=\"13\" fill=\"#333\"")
    };
    for (y, text) in [(centre - half / 2.0, "port"), (centre + half / 2.0, "starboard")] {
        words(svg, (14.0, y), &turned(y), text);
    }
}

/// Metres along the waterline.
fn axis(svg: &mut String, plan: &Plan, frame: &Frame, bottom: f64) {
    let step =
        [1.0, 2.0, 5.0, 10.0, 20.0].into_iter().find(|step| frame.length_m / step <= 12.0).unwrap_or(50.0);
    let mut at = 0.0;
    while at <= frame.length_m + 1e-9 {
        let x = plan.x(at);
        line(svg, (x, bottom + 2.0), (x, bottom + 8.0), "stroke=\"#333\"");
        words(
            svg,
            (x, bottom + 21.0),
            "text-anchor=\"middle\" font-size=\"12\" fill=\"#333\"",
            &format!("{at:.0}"),
        );
        at += step;
    }
    let said = "m aft of the forward end of the waterline";
    words(svg, (WIDTH - RIGHT, bottom + 36.0), "text-anchor=\"end\" font-size=\"12\" fill=\"#333\"", said);
    words(svg, (LEFT - 16.0, bottom + 36.0), "font-size=\"12\" fill=\"#333\"", "\u{2190} bow");
}

/// The true place, or the nearest about it where no earlier marker lies.
fn free_place(wanted: (f64, f64), placed: &[(f64, f64)]) -> (f64, f64) {
    let is_free = |(x, y): (f64, f64)| {
        placed.iter().all(|(other_x, other_y)| (x - other_x).hypot(y - other_y) >= 2.0 * RADIUS)
            && (RADIUS..=WIDTH - RADIUS).contains(&x)
            && y >= RADIUS
    };
    if is_free(wanted) {
        return wanted;
    }
    (1..=24_u32)
        .flat_map(|ring| {
            let distance = RADIUS * 2.02 * f64::from(ring) / 2.0;
            (0..12_u32).map(move |turn| {
                let angle = std::f64::consts::TAU * f64::from(turn) / 12.0;
                (wanted.0 + distance * angle.cos(), wanted.1 + distance * angle.sin())
            })
        })
        .find(|&place| is_free(place))
        .unwrap_or(wanted)
}

fn marker(svg: &mut String, mark: &Mark, frame: &Frame, true_place: (f64, f64), (x, y): (f64, f64)) {
    if (x, y) != true_place {
        line(svg, true_place, (x, y), "stroke=\"#333\" stroke-width=\"0.8\"");
        write!(
            svg,
            "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"2.2\" fill=\"#333\"/>",
            true_place.0, true_place.1
        )
        .ok();
    }
    let shade = colours(share(mark.value, frame.lowest, frame.highest));
    let style = format!("fill=\"{}\" stroke=\"#333\" stroke-width=\"0.8\"", shade.fill);
    let text = printed(mark.value);
    svg.push_str("<g>");
    write!(svg, "<title>{}: {}</title>", escaped(&mark.code), escaped(&text)).ok();
    match mark.zone {
        Zone::Bottom | Zone::Waterline => {
            write!(svg, "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{RADIUS}\" {style}/>")
        }
        Zone::Keel => {
            let (left, top, side) = (x - RADIUS + 2.0, y - RADIUS + 2.0, 2.0 * RADIUS - 4.0);
            write!(
                svg,
                "<rect x=\"{left:.1}\" y=\"{top:.1}\" width=\"{side:.1}\" height=\"{side:.1}\" {style}/>"
            )
        }
        Zone::Rudder | Zone::Appendage => {
            let reach = RADIUS + 2.5;
            write!(
                svg,
                "<path d=\"M{:.1} {y:.1}L{x:.1} {:.1}L{:.1} {y:.1}L{x:.1} {:.1}Z\" {style}/>",
                x - reach,
                y - reach,
                x + reach,
                y + reach
            )
        }
    }
    .ok();
    let size = if text.len() > 4 { 8.0 } else { 11.0 };
    let ink = format!("text-anchor=\"middle\" font-size=\"{size}\" fill=\"{}\"", shade.ink);
    words(svg, (x, y + size * 0.36), &ink, &text);
    svg.push_str("</g>");
}

fn legend(svg: &mut String, frame: &Frame, y: f64) {
    let width = 46.0;
    let steps = if frame.highest > frame.lowest { SWATCHES } else { 1 };
    let mut x = LEFT - 16.0;
    for n in 0..steps {
        let at = if steps == 1 { 0.5 } else { f64::from(n) / f64::from(steps - 1) };
        let shade = colours(at);
        write!(
            svg,
            "<rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{width:.1}\" height=\"18\" fill=\"{}\"/>",
            shade.fill
        )
        .ok();
        let value = frame.lowest + (frame.highest - frame.lowest) * if steps == 1 { 0.0 } else { at };
        let ink = format!("text-anchor=\"middle\" font-size=\"11\" fill=\"{}\"", shade.ink);
        words(svg, (x + width / 2.0, y + 13.0), &ink, &printed(value));
        x += width;
    }
    let scale: String = frame.scale.chars().take(50).collect();
    words(svg, (x + 10.0, y + 13.0), "font-size=\"12\" fill=\"#333\"", &format!("on the scale {scale}"));
    let shapes = "Round: bottom and waterline. Square: keel. Diamond: rudder and appendages.";
    words(svg, (LEFT - 16.0, y + 36.0), "font-size=\"12\" fill=\"#333\"", shapes);
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn frame() -> Frame {
        Frame {
            title: "A map".to_owned(),
            scale: "relative".to_owned(),
            lowest: 4.0,
            highest: 24.0,
            length_m: 9.0,
            girth_m: 1.8,
        }
    }

    fn mark(code: &str, side: Side, x_m: f64, girth_m: f64, value: f64) -> Mark {
        Mark { code: code.to_owned(), side, zone: Zone::Bottom, x_m, girth_m, value }
    }

    /// The centres of the markers, in the order they were drawn.
    fn centres(svg: &str) -> Vec<(f64, f64)> {
        let number = |text: &str, name: &str| -> f64 {
            let after = text.split_once(&format!("{name}=\"")).expect("an attribute").1;
            after.split('"').next().expect("its value").parse().expect("a number")
        };
        svg.split("<circle ")
            .skip(1)
            .filter(|text| text.contains("r=\"12.5\""))
            .map(|text| (number(text, "cx"), number(text, "cy")))
            .collect()
    }

    #[test]
    fn port_is_above_the_bow_to_the_left_and_the_centreline_between() {
        let marks = [
            mark("P1", Side::Port, 1.0, 1.0, 5.0),
            mark("S1", Side::Starboard, 1.0, 1.0, 6.0),
            mark("P2", Side::Port, 8.0, 1.0, 7.0),
        ];
        let at = centres(&drawn(&frame(), &marks));
        assert!(at[0].1 < at[1].1 && at[0].0 < at[2].0);
        assert!((at[0].0 - at[1].0).abs() < 0.11);
        let plan = Plan::of(&frame(), &marks);
        assert!((f64::midpoint(at[0].1, at[1].1) - plan.centre).abs() < 0.11, "alike on both sides");
        assert!(((at[2].0 - at[0].0) / plan.per_m_along - 7.0).abs() < 0.01, "seven metres apart");
    }

    #[test]
    fn what_people_entered_cannot_break_out() {
        let mut frame = frame();
        frame.title = "\"><script>".to_owned();
        frame.scale = "<b>&".to_owned();
        let svg = drawn(&frame, &[mark("</title><script>", Side::Port, 1.0, 1.0, 5.0)]);
        assert!(!svg.contains("<script") && !svg.contains("<b>"), "{svg}");
    }

    proptest! {
        #[test]
        fn every_number_is_there_and_none_lies_over_another(
            stations in proptest::collection::vec((any::<bool>(), 0.0..9.0_f64, 0.0..1.8_f64, 0.0..30.0_f64), 0..60)
        ) {
            let marks: Vec<Mark> = stations
                .iter()
                .map(|&(port, x_m, girth_m, value)| {
                    mark("A", if port { Side::Port } else { Side::Starboard }, x_m, girth_m, value)
                })
                .collect();
            let svg = drawn(&frame(), &marks);
            let at = centres(&svg);
            prop_assert_eq!(at.len(), marks.len());
            for (n, one) in at.iter().enumerate() {
                for two in &at[n + 1..] {
                    prop_assert!((one.0 - two.0).hypot(one.1 - two.1) >= 2.0 * RADIUS - 0.2);
                }
            }
            prop_assert_eq!(&svg, &drawn(&frame(), &marks));
        }
    }
}
