//! Where things are on the drawing of the skin unfolded, and its outline.
//!
//! The outline only says which end is which: nobody measures it. It is as blunt as it takes for every station to lie
//! within it.

use crate::features::vessels::model::Side;

/// Half a marker.
pub const RADIUS: f64 = 12.5;
/// Room between the ends of the outline and of what is measured.
const ENDS: f64 = 18.0;
/// The share of the outline's length over which the bow widens.
const ENTRY: f64 = 0.4;
/// Points of the bow's line.
const BOW_POINTS: u32 = 16;

/// Which way the bow lies on the drawing; the hull is always seen from below.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bow {
    /// To the left, for wide pages: the port side is above.
    Left,
    /// Up, for narrow ones: the port side is to the right.
    Up,
}

/// A place that was measured: metres aft of the forward end of the waterline, metres up along the skin.
#[derive(Debug, Clone, Copy)]
pub struct Spot {
    /// The side.
    pub side: Side,
    /// Aft from the forward end of the waterline.
    pub x_m: f64,
    /// Up from the centreline, along the skin.
    pub girth_m: f64,
}

/// The drawing's measures, in its own units.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Which way the bow lies.
    pub bow: Bow,
    /// Width of the drawing.
    pub width: f64,
    /// Where the outline ends, across the page's height.
    pub bottom: f64,
    from_m: f64,
    per_m_along: f64,
    per_m_up: f64,
    /// Forward and aft end of the outline, along the hull.
    ends: (f64, f64),
    /// Where what is measured begins, along the hull.
    start: f64,
    /// The centreline, across the hull.
    centre: f64,
    half: f64,
    bluntness: f64,
}

impl Plan {
    /// Of a skin of this size with these places on it.
    #[must_use]
    pub fn of(bow: Bow, length_m: f64, girth_m: f64, spots: &[Spot]) -> Self {
        let from_m = spots.iter().map(|spot| spot.x_m).fold(0.0, f64::min);
        let to_m = spots.iter().map(|spot| spot.x_m).fold(length_m, f64::max);
        let girth_m = spots.iter().map(|spot| spot.girth_m).fold(girth_m, f64::max).max(0.1);
        let reach_m = (to_m - from_m).max(0.1);
        let (width, start, long, half) = match bow {
            Bow::Left => {
                let (width, start) = (760.0, 62.0);
                let long = width - start - ENDS - 6.0;
                (width, start, long, (girth_m * long / reach_m).clamp(96.0, 190.0))
            }
            Bow::Up => {
                let half: f64 = 136.0;
                (340.0, 44.0, (reach_m * half / girth_m).clamp(420.0, 620.0), half)
            }
        };
        let centre = match bow {
            Bow::Left => 16.0 + half,
            Bow::Up => 34.0 + half,
        };
        let mut plan = Self {
            bow,
            width,
            bottom: 0.0,
            from_m,
            per_m_along: long / reach_m,
            // A marker at the edge of the skin is still on it.
            per_m_up: (half - RADIUS - 3.0) / girth_m,
            ends: (start - ENDS, start + long + ENDS),
            start,
            centre,
            half,
            bluntness: 2.0,
        };
        plan.bottom = match bow {
            Bow::Left => centre + half,
            Bow::Up => plan.ends.1,
        };
        plan.bluntness = spots.iter().map(|spot| plan.bluntness_for(*spot)).fold(2.0, f64::max);
        plan
    }

    fn along(&self, x_m: f64) -> f64 {
        self.start + (x_m - self.from_m) * self.per_m_along
    }

    /// How much of the entry lies before a place along the hull, 0 to 1.
    fn entered(&self, along: f64) -> f64 {
        ((along - self.ends.0) / (ENTRY * (self.ends.1 - self.ends.0))).clamp(0.0, 1.0)
    }

    /// The exponent with which the outline is a little wider than this place.
    fn bluntness_for(&self, spot: Spot) -> f64 {
        let before = 1.0 - self.entered(self.along(spot.x_m));
        let wide = ((spot.girth_m * self.per_m_up + 3.0) / self.half).min(0.999);
        if before > 0.0 { (1.0 - wide).ln() / before.ln() } else { 0.0 }
    }

    /// Half the outline's width at a place along the hull.
    fn half_at(&self, along: f64) -> f64 {
        self.half * (1.0 - (1.0 - self.entered(along)).powf(self.bluntness))
    }

    /// From along and across the hull to the page.
    fn turned(&self, along: f64, across: f64) -> (f64, f64) {
        match self.bow {
            Bow::Left => (along, self.centre + across),
            Bow::Up => (self.centre - across, along),
        }
    }

    fn across(side: Side) -> f64 {
        match side {
            Side::Port => -1.0,
            Side::Starboard => 1.0,
        }
    }

    /// Where a place is on the page.
    #[must_use]
    pub fn place(&self, spot: Spot) -> (f64, f64) {
        self.turned(self.along(spot.x_m), Self::across(spot.side) * spot.girth_m * self.per_m_up)
    }

    /// The middle of a side, at its edge.
    #[must_use]
    pub fn edge(&self, side: Side) -> (f64, f64) {
        self.turned(f64::midpoint(self.ends.0, self.ends.1), Self::across(side) * self.half)
    }

    /// The centreline.
    #[must_use]
    pub fn centreline(&self) -> [(f64, f64); 2] {
        [self.turned(self.ends.0, 0.0), self.turned(self.ends.1, 0.0)]
    }

    /// Where a metre mark stands: on the starboard edge of the drawing with the bow to the left, on the left with it up.
    #[must_use]
    pub fn metre(&self, x_m: f64) -> (f64, f64) {
        match self.bow {
            Bow::Left => (self.along(x_m), self.bottom),
            Bow::Up => (self.centre - self.half, self.along(x_m)),
        }
    }

    /// The outline's corners in order.
    #[must_use]
    pub fn outline(&self) -> Vec<(f64, f64)> {
        let (bow, stern) = self.ends;
        let entry = ENTRY * (stern - bow);
        // Closer together where the bow is round.
        let alongs = (0..=BOW_POINTS).map(|n| bow + entry * (f64::from(n) / f64::from(BOW_POINTS)).powi(3));
        let starboard: Vec<(f64, f64)> =
            alongs.chain([stern]).map(|along| (along, self.half_at(along))).collect();
        let port = starboard.iter().rev().map(|&(along, half)| (along, -half));
        starboard.iter().copied().chain(port).map(|(along, across)| self.turned(along, across)).collect()
    }

    /// The true place, or the nearest about it where no earlier marker lies.
    #[must_use]
    pub fn free_place(&self, wanted: (f64, f64), placed: &[(f64, f64)]) -> (f64, f64) {
        let is_free = |(x, y): (f64, f64)| {
            placed.iter().all(|(other_x, other_y)| (x - other_x).hypot(y - other_y) >= 2.0 * RADIUS)
                && (RADIUS..=self.width - RADIUS).contains(&x)
                && y >= RADIUS
        };
        if is_free(wanted) {
            return wanted;
        }
        (1..=32_u32)
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
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::{Bow, Plan, Side, Spot};

    /// Whether a place lies within corners in order: a ray from it crosses their line an odd number of times (the
    /// even-odd rule of SVG 1.1, section 11.3).
    fn within((x, y): (f64, f64), corners: &[(f64, f64)]) -> bool {
        let pairs = corners.iter().zip(corners.iter().cycle().skip(1));
        pairs
            .filter(|(one, two)| {
                (one.1 > y) != (two.1 > y) && x < (two.0 - one.0) * (y - one.1) / (two.1 - one.1) + one.0
            })
            .count()
            % 2
            == 1
    }

    proptest! {
        #[test]
        fn stations_land_within_the_outline(
            spots in proptest::collection::vec((any::<bool>(), -2.0..14.0_f64, 0.0..3.0_f64), 1..40),
            length_m in 4.0..20.0_f64,
            up in any::<bool>(),
        ) {
            let spots: Vec<Spot> = spots
                .iter()
                .map(|&(port, x_m, girth_m)| Spot { side: if port { Side::Port } else { Side::Starboard }, x_m, girth_m })
                .collect();
            let plan = Plan::of(if up { Bow::Up } else { Bow::Left }, length_m, 1.5, &spots);
            let outline = plan.outline();
            prop_assert!(outline.iter().all(|at| at.0 >= 0.0 && at.0 <= plan.width && at.1 >= 0.0));
            for spot in spots {
                let at = plan.place(spot);
                prop_assert!(within(at, &outline), "{spot:?} at {at:?} is out of {outline:?}");
            }
        }
    }

    #[test]
    fn a_place_without_the_corners_is_told_from_one_within() {
        let square = [(0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0)];
        assert!(
            within((5.0, 5.0), &square) && !within((15.0, 5.0), &square) && !within((5.0, -1.0), &square)
        );
    }

    /// The second drawing is the first turned by a quarter: seen from below, port is to the left of somebody who looks
    /// aft and to the right of somebody who looks forward.
    #[test]
    fn both_drawings_show_the_hull_from_below() {
        let spot = |side| Spot { side, x_m: 3.0, girth_m: 1.0 };
        let left = Plan::of(Bow::Left, 9.0, 1.5, &[]);
        assert!(left.place(spot(Side::Port)).1 < left.place(spot(Side::Starboard)).1);
        let up = Plan::of(Bow::Up, 9.0, 1.5, &[]);
        assert!(up.place(spot(Side::Port)).0 > up.place(spot(Side::Starboard)).0);
        assert!(up.centreline()[0].1 < up.centreline()[1].1);
    }
}
