//! How long bottoms last: the share that has not begun to blister, as it was found and as it was fitted.

use super::chart::{Drawing, Room, Scale, per_cent, step};
use crate::features::statistics::model::lifetimes::{CurvePoint, LifetimeGroup};
use crate::science::lifetime::TurnbullMass;

const HEIGHT: f64 = 280.0;
const LEFT: f64 = 52.0;
const RIGHT: f64 = 14.0;
const TOP: f64 = 14.0;
const BOTTOM: f64 = 44.0;
/// Falls nearer to each other than this stand as one: a telephone shows no more, and need not load it.
const APART: f64 = 4.0;

/// A stretch of time somewhere in which the share falls.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Fall {
    left: f64,
    right: f64,
    before: f64,
    after: f64,
}

/// The falls of the curve without a formula, along the axis; what never ended falls nowhere.
fn falls(masses: &[TurnbullMass], time: Scale) -> Vec<Fall> {
    let mut falls: Vec<Fall> = Vec::new();
    let mut left_over = 1.0;
    for mass in masses {
        let Some(to) = mass.to else { break };
        let after = left_over - mass.mass;
        let (left, right) = (time.at(mass.from), time.at(to));
        match falls.last_mut() {
            Some(last) if left - last.right < APART => {
                last.right = last.right.max(right);
                last.after = after;
            }
            _ => falls.push(Fall { left, right, before: left_over, after }),
        }
        left_over = after;
    }
    falls
}

/// The group, drawn. `unit` is that of time.
#[must_use]
pub fn drawn(room: Room, group: &LifetimeGroup, unit: &str, id: &str, title: &str) -> String {
    let (base, right) = (HEIGHT - BOTTOM, room.width() - RIGHT);
    let until = group.curve.last().map_or(1.0, |point| point.t).max(1e-9);
    let time = Scale { from: 0.0, to: until, first: LEFT, last: right };
    let share = Scale { from: 0.0, to: 1.0, first: base, last: TOP };
    let about = "Time from left to right, the share without blistering from bottom to top: level lines that fall somewhere within shaded boxes, as surveys found it, and a smooth curve within a band, as fitted; the table below says the same.";
    let mut drawing = Drawing::begin(room, HEIGHT, id, title, about);
    let each = step(until, (right - LEFT) / 48.0);
    let mut at = 0.0;
    while at <= until {
        let x = time.at(at);
        drawing.line("grid", (x, TOP), (x, base));
        drawing.words((x, base + 17.0), "middle", &format!("{at:.0}"));
        at += each;
    }
    drawing.words((right, base + 36.0), "end", unit);
    for n in 0..=4_u32 {
        let value = f64::from(n) / 4.0;
        let y = share.at(value);
        drawing.line("grid", (LEFT, y), (right, y));
        drawing.words((LEFT - 6.0, y + 4.0), "end", &per_cent(value));
    }
    let edge = |of: fn(&CurvePoint) -> Option<f64>| -> Vec<(f64, f64)> {
        group
            .curve
            .iter()
            .filter_map(|point| of(point).map(|value| (time.at(point.t), share.at(value))))
            .collect()
    };
    drawing.area("band soft", &edge(|point| point.lower), &edge(|point| point.upper));
    let (mut x, mut left_over) = (LEFT, 1.0);
    for fall in falls(&group.turnbull, time) {
        drawing.line("found", (x, share.at(fall.before)), (fall.left, share.at(fall.before)));
        let (top, bottom) = (share.at(fall.before), share.at(fall.after));
        drawing.area(
            "fall",
            &[(fall.left, bottom), (fall.right, bottom)],
            &[(fall.left, top), (fall.right, top)],
        );
        (x, left_over) = (fall.right, fall.after);
    }
    // From the last look at a life that goes on nothing is known.
    let last = group.turnbull.last().filter(|mass| mass.to.is_none()).map(|mass| time.at(mass.from));
    if let Some(last) = last.filter(|last| *last > x) {
        drawing.line("found", (x, share.at(left_over)), (last, share.at(left_over)));
    }
    drawing.curve("curve", edge(|point| point.weibull));
    drawing.end()
}

#[cfg(test)]
mod tests {
    use super::{Fall, Scale, TurnbullMass, falls};

    /// By hand: of three lives one ended in (2, 4], one in (6, 8], and one was last seen sound at 10.
    #[test]
    fn the_share_falls_where_mass_is_and_never_for_what_never_ended() {
        let mass = |from, to| TurnbullMass { from, to, mass: 1.0 / 3.0 };
        let masses = [mass(2.0, Some(4.0)), mass(6.0, Some(8.0)), mass(10.0, None)];
        let time = Scale { from: 0.0, to: 10.0, first: 0.0, last: 100.0 };
        let found = falls(&masses, time);
        let near = |one: f64, other: f64| (one - other).abs() < 1e-9;
        assert_eq!(found.len(), 2);
        assert!(near(found[0].left, 20.0) && near(found[0].right, 40.0) && near(found[0].after, 2.0 / 3.0));
        assert!(near(found[1].before, 2.0 / 3.0) && near(found[1].after, 1.0 / 3.0));
        // On an axis so short that both lie together they are one fall over both.
        let short = Scale { last: 10.0, ..time };
        let one = falls(&masses, short);
        assert_eq!(one.len(), 1);
        let Fall { left, right, before, after } = one[0];
        assert!(near(left, 2.0) && near(right, 8.0) && near(before, 1.0) && near(after, 1.0 / 3.0));
    }
}
