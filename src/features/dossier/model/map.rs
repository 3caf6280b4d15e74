//! A survey's stations on the skin unfolded, as SVG 1.1.

use std::fmt::Write as _;

use super::colour::{Colours, colours, share};
use super::plan::{Bow, Plan, RADIUS, Spot};
use super::readings::printed;
use crate::features::vessels::model::{Side, Zone};

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

/// A finding to draw.
#[derive(Debug, Clone)]
pub struct Flag {
    /// The number by which the words beside the drawing tell of it.
    pub number: usize,
    /// What was found.
    pub title: String,
    /// Where.
    pub spot: Spot,
    /// Whether nothing is left to be done about it.
    pub is_done: bool,
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

impl Mark {
    fn spot(&self) -> Spot {
        Spot { side: self.side, x_m: self.x_m, girth_m: self.girth_m }
    }
}

/// The drawing. Its colours are attributes, so that it stands alone; its classes let a page's style take their place.
#[must_use]
pub fn drawn(frame: &Frame, marks: &[Mark], flags: &[Flag], bow: Bow) -> String {
    let spots: Vec<Spot> = marks.iter().map(Mark::spot).chain(flags.iter().map(|flag| flag.spot)).collect();
    let plan = Plan::of(bow, frame.length_m, frame.girth_m, &spots);
    let said_at = match bow {
        Bow::Left => plan.bottom + 48.0,
        Bow::Up => plan.bottom + 14.0,
    };
    let (width, height) =
        (plan.width, said_at + if flags.is_empty() { 60.0 } else { 78.0 } + turn(bow, 0.0, 18.0));
    let mut svg = format!(
        "<svg class=\"map\" xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width:.0} {height:.0}\" role=\"img\" aria-label=\"{}\">",
        escaped(&frame.title)
    );
    skin(&mut svg, &plan);
    axis(&mut svg, &plan, frame);
    let mut placed: Vec<(f64, f64)> = Vec::new();
    let mut settle = |svg: &mut String, true_place: (f64, f64)| {
        let place = plan.free_place(true_place, &placed);
        leader(svg, true_place, place);
        placed.push(place);
        place
    };
    for mark in marks {
        let place = settle(&mut svg, plan.place(mark.spot()));
        marker(&mut svg, mark, frame, place);
    }
    for flag in flags {
        let place = settle(&mut svg, plan.place(flag.spot));
        flagged(&mut svg, flag, place);
    }
    legend(&mut svg, frame, bow, said_at, !flags.is_empty());
    svg.push_str("</svg>");
    svg
}

fn turn(bow: Bow, left: f64, up: f64) -> f64 {
    match bow {
        Bow::Left => left,
        Bow::Up => up,
    }
}

fn line(svg: &mut String, from: (f64, f64), to: (f64, f64), style: &str) {
    write!(svg, "<path d=\"M{:.1} {:.1}L{:.1} {:.1}\" {style}/>", from.0, from.1, to.0, to.1).ok();
}

fn words(svg: &mut String, at: (f64, f64), style: &str, text: &str) {
    write!(svg, "<text x=\"{:.1}\" y=\"{:.1}\" {style}>{}</text>", at.0, at.1, escaped(text)).ok();
}

/// The skin, unfolded: its shape only says which end is which.
fn skin(svg: &mut String, plan: &Plan) {
    let corners: Vec<String> = plan.outline().iter().map(|(x, y)| format!("{x:.1} {y:.1}")).collect();
    write!(
        svg,
        "<path class=\"skin\" d=\"M{}Z\" fill=\"#f3f3f0\" stroke=\"#8a8a86\" stroke-linejoin=\"round\"/>",
        corners.join("L")
    )
    .ok();
    let [from, to] = plan.centreline();
    line(svg, from, to, "class=\"keel-line\" stroke=\"#8a8a86\" stroke-dasharray=\"6 4\"");
    for (side, text) in [(Side::Port, "port"), (Side::Starboard, "starboard")] {
        let (x, y) = plan.edge(side);
        let said = match plan.bow {
            Bow::Left => {
                let y = f64::midpoint(y, from.1);
                ((14.0, y), format!("transform=\"rotate(-90 14 {y:.1})\" text-anchor=\"middle\""))
            }
            Bow::Up => ((f64::midpoint(x, from.0), 18.0), "text-anchor=\"middle\"".to_owned()),
        };
        words(svg, said.0, &format!("{} font-size=\"13\" fill=\"#333\"", said.1), text);
    }
}

/// Metres along the waterline.
fn axis(svg: &mut String, plan: &Plan, frame: &Frame) {
    let step =
        [1.0, 2.0, 5.0, 10.0, 20.0].into_iter().find(|step| frame.length_m / step <= 12.0).unwrap_or(50.0);
    let mut at = 0.0;
    while at <= frame.length_m + 1e-9 {
        let (x, y) = plan.metre(at);
        let (ends, place, anchor) = match plan.bow {
            Bow::Left => ([(x, y + 2.0), (x, y + 8.0)], (x, y + 21.0), "middle"),
            Bow::Up => ([(x - 8.0, y), (x - 2.0, y)], (x - 11.0, y + 4.0), "end"),
        };
        line(svg, ends[0], ends[1], "class=\"tick\" stroke=\"#333\"");
        let style = format!("text-anchor=\"{anchor}\" font-size=\"12\" fill=\"#333\"");
        words(svg, place, &style, &format!("{at:.0}"));
        at += step;
    }
    match plan.bow {
        Bow::Left => {
            let y = plan.bottom + 36.0;
            let end = "text-anchor=\"end\" font-size=\"12\" fill=\"#333\"";
            words(svg, (plan.width - 22.0, y), end, "m aft of the forward end of the waterline");
            words(svg, (42.0, y), "font-size=\"12\" fill=\"#333\"", "\u{2190} bow");
        }
        Bow::Up => {
            words(svg, (2.0, 18.0), "font-size=\"12\" fill=\"#333\"", "m aft");
            let [(x, _), _] = plan.centreline();
            words(svg, (x, 18.0), "text-anchor=\"middle\" font-size=\"12\" fill=\"#333\"", "\u{2191} bow");
        }
    }
}

/// From where a marker belongs to where it found room.
fn leader(svg: &mut String, true_place: (f64, f64), (x, y): (f64, f64)) {
    if (x, y) != true_place {
        line(svg, true_place, (x, y), "class=\"tick\" stroke=\"#333\" stroke-width=\"0.8\"");
        write!(
            svg,
            "<circle class=\"dot\" cx=\"{:.1}\" cy=\"{:.1}\" r=\"2.2\" fill=\"#333\"/>",
            true_place.0, true_place.1
        )
        .ok();
    }
}

fn marker(svg: &mut String, mark: &Mark, frame: &Frame, (x, y): (f64, f64)) {
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
    let (size, short) = if text.len() > 4 { (8.0, " long") } else { (11.0, "") };
    let ink = format!(
        "class=\"{}{short}\" text-anchor=\"middle\" font-size=\"{size}\" fill=\"{}\"",
        ink(&shade),
        shade.ink
    );
    words(svg, (x, y + size * 0.36), &ink, &text);
    svg.push_str("</g>");
}

fn ink(shade: &Colours) -> &'static str {
    if shade.ink == "#ffffff" { "on-dark" } else { "on-light" }
}

/// A finding: a triangle, filled while something is to be done about it.
fn flagged(svg: &mut String, flag: &Flag, (x, y): (f64, f64)) {
    let (fill, ink, class) =
        if flag.is_done { ("#ffffff", "#000000", "flag done") } else { ("#9c2412", "#ffffff", "flag") };
    write!(
        svg,
        "<g class=\"{class}\"><title>{}</title><path d=\"M{x:.1} {:.1}L{:.1} {:.1}L{:.1} {:.1}Z\" fill=\"{fill}\" stroke=\"#9c2412\" stroke-width=\"1.5\" stroke-linejoin=\"round\"/>",
        escaped(&flag.title), y - 13.0, x + 14.0, y + 11.0, x - 14.0, y + 11.0
    )
    .ok();
    let style = format!("text-anchor=\"middle\" font-size=\"11\" fill=\"{ink}\"");
    words(svg, (x, y + 8.0), &style, &flag.number.to_string());
    svg.push_str("</g>");
}

fn legend(svg: &mut String, frame: &Frame, bow: Bow, y: f64, flags: bool) {
    const FLAGS: &str = "Triangle: a finding, hollow when repaired.";
    let width = 46.0;
    let left = turn(bow, 42.0, 14.0);
    let style = "font-size=\"12\" fill=\"#333\"";
    if frame.scale.is_empty() {
        words(svg, (left, y + 14.0), style, FLAGS);
        return;
    }
    let steps = if frame.highest > frame.lowest { SWATCHES } else { 1 };
    let mut x = left;
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
        let inside = format!(
            "class=\"{}\" text-anchor=\"middle\" font-size=\"11\" fill=\"{}\"",
            ink(&shade),
            shade.ink
        );
        words(svg, (x + width / 2.0, y + 13.0), &inside, &printed(value));
        x += width;
    }
    let scale: String = frame.scale.chars().take(if bow == Bow::Up { 36 } else { 50 }).collect();
    let said = format!("on the scale {scale}");
    let mut below = y + 36.0;
    match bow {
        Bow::Left => words(svg, (x + 10.0, y + 13.0), style, &said),
        Bow::Up => {
            words(svg, (left, below), style, &said);
            below += 18.0;
        }
    }
    words(svg, (left, below), style, "Round: bottom, waterline. Square: keel. Diamond: rest.");
    if flags {
        words(svg, (left, below + 18.0), style, FLAGS);
    }
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
        let at = centres(&drawn(&frame(), &marks, &[], Bow::Left));
        assert!(at[0].1 < at[1].1 && at[0].0 < at[2].0);
        assert!((at[0].0 - at[1].0).abs() < 0.11);
        let spots: Vec<Spot> = marks.iter().map(Mark::spot).collect();
        let plan = Plan::of(Bow::Left, 9.0, 1.8, &spots);
        let [(_, centre), _] = plan.centreline();
        assert!((f64::midpoint(at[0].1, at[1].1) - centre).abs() < 0.11, "alike on both sides");
        let metre = plan.metre(1.0).0 - plan.metre(0.0).0;
        assert!(((at[2].0 - at[0].0) / metre - 7.0).abs() < 0.01, "seven metres apart");
    }

    #[test]
    fn what_people_entered_cannot_break_out() {
        let mut frame = frame();
        frame.title = "\"><script>".to_owned();
        frame.scale = "<b>&".to_owned();
        let svg = drawn(&frame, &[mark("</title><script>", Side::Port, 1.0, 1.0, 5.0)], &[], Bow::Left);
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
            let svg = drawn(&frame(), &marks, &[], Bow::Left);
            let at = centres(&svg);
            prop_assert_eq!(at.len(), marks.len());
            for (n, one) in at.iter().enumerate() {
                for two in &at[n + 1..] {
                    prop_assert!((one.0 - two.0).hypot(one.1 - two.1) >= 2.0 * RADIUS - 0.2);
                }
            }
            prop_assert_eq!(&svg, &drawn(&frame(), &marks, &[], Bow::Left));
        }
    }
}
