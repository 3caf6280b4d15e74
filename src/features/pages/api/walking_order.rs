//! The order in which one walks round a hull with a meter.

use super::yard_words::{capital, number, word};
use crate::features::surveys::model::station::StationFields;
use crate::features::surveys::store::station::Station;
use crate::features::vessels::model::{HullPart, Side};

/// Where on the way round the hull a station is: hull by hull, along port from the bow aft, along starboard from the
/// stern forward; one without a place at the end of its side.
fn on_the_way(fields: &StationFields) -> (u8, bool, bool, f64, f64) {
    let hull = match fields.hull {
        HullPart::Port => 0,
        HullPart::Centre => 1,
        HullPart::Starboard => 2,
    };
    let starboard = fields.side == Side::Starboard;
    let along = fields.x_m.unwrap_or(0.0);
    let girth = fields.girth_m.unwrap_or(0.0);
    (hull, starboard, fields.x_m.is_none(), if starboard { -along } else { along }, girth)
}

/// Sorts stations as one walks round the hull.
pub fn in_walking_order(stations: &mut [Station]) {
    stations.sort_by(|a, b| {
        let (one, other) = (on_the_way(&a.fields), on_the_way(&b.fields));
        (one.0, one.1, one.2)
            .cmp(&(other.0, other.1, other.2))
            .then(one.3.total_cmp(&other.3))
            .then(one.4.total_cmp(&other.4))
            .then_with(|| a.fields.code.cmp(&b.fields.code))
    });
}

/// Where a station is, in words.
#[must_use]
pub fn place(fields: &StationFields) -> String {
    let mut words = vec![word(&fields.zone)];
    words.extend(fields.x_m.map(|x_m| format!("{} m aft", number(x_m))));
    words.extend(fields.girth_m.map(|girth_m| format!("{} m up", number(girth_m))));
    words.join(", ")
}

/// Along which side one walks to it, and which way.
#[must_use]
pub fn side(fields: &StationFields) -> String {
    let hull = match fields.hull {
        HullPart::Centre => String::new(),
        other => format!("{} hull, ", word(&other)),
    };
    let way = match fields.side {
        Side::Port => "port side, from the bow aft",
        Side::Starboard => "starboard side, from the stern forward",
    };
    capital(&format!("{hull}{way}"))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use uuid::Uuid;

    use super::*;
    use crate::features::vessels::model::Zone;

    fn station(n: u128, side: Side, x_m: Option<f64>) -> Station {
        let at = "2026-06-15T10:00:00Z".parse().unwrap_or_default();
        Station {
            id: Uuid::from_u128(n).into(),
            fields: StationFields {
                vessel_id: Uuid::nil().into(),
                code: format!("S{n}"),
                hull: HullPart::Centre,
                side,
                zone: Zone::Bottom,
                x_m,
                girth_m: None,
            },
            version: 1,
            author_org_id: Uuid::nil().into(),
            created_at: at,
            updated_at: at,
        }
    }

    proptest! {
        /// Who walks round a hull goes aft along one side and forward along the other: nobody crosses twice.
        #[test]
        fn the_way_goes_aft_and_comes_back_forward(places in proptest::collection::vec((any::<bool>(), proptest::option::of(0.0..20.0_f64)), 0..30)) {
            let sides = places.iter().zip(0..).map(|((port, x_m), n)| {
                station(n, if *port { Side::Port } else { Side::Starboard }, *x_m)
            });
            let mut stations: Vec<Station> = sides.collect();
            in_walking_order(&mut stations);
            let along = |side: Side| -> Vec<f64> {
                stations.iter().filter(|s| s.fields.side == side).filter_map(|s| s.fields.x_m).collect()
            };
            prop_assert!(along(Side::Port).is_sorted());
            prop_assert!(along(Side::Starboard).iter().rev().is_sorted());
            let crossings = stations.windows(2).filter(|two| two[0].fields.side != two[1].fields.side).count();
            prop_assert!(crossings <= 1);
        }
    }
}
