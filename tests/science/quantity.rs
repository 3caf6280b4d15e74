//! Litres of paint: quantity-paint.json (common practice) and film-wet-and-spreading.json (analytic).

use garboard::science::quantity::{CoatToApply, QuantityInput, mean_dry_film_um, quantity};
use proptest::prelude::*;

use crate::check_values::{assert_close, cases, number};

fn input(area_m2: f64, coat: CoatToApply, coats: usize, loss_fraction: f64) -> QuantityInput {
    QuantityInput { area_m2, coats: vec![coat; coats], loss_fraction, pack_l: Some(2.5) }
}

#[test]
fn litres_follow_from_the_dry_film() {
    for case in cases("quantity-paint") {
        let (inputs, expected) = (&case["inputs"], &case["expected"]);
        let coats = usize::try_from(inputs["coats"].as_u64().expect("a count")).expect("small");
        let coat = CoatToApply {
            dry_film_um: number(&inputs["DFT_per_coat_um"]),
            volume_solids_pct: number(&inputs["VS"]) * 100.0,
            thinner_pct: 0.0,
        };
        let loss_fraction = number(&inputs["loss_fraction"]);
        let answer =
            quantity(&input(number(&inputs["area_m2"]), coat, coats, loss_fraction)).expect("in range");
        assert_close(
            "theoretical",
            answer.theoretical_l,
            number(&expected["litres_theoretical"]),
            &case["tol"],
        );
        let practical = number(&expected["litres_practical_divide"]);
        assert_close("practical", answer.practical_l, practical, &case["tol"]);
    }
}

#[test]
fn wet_film_and_spreading_rate_follow_from_the_solids() {
    for case in cases("film-wet-and-spreading") {
        let (inputs, expected) = (&case["inputs"], &case["expected"]);
        let coat = CoatToApply {
            dry_film_um: number(&inputs["DFT_um"]),
            volume_solids_pct: number(&inputs["volume_solids"]) * 100.0,
            thinner_pct: number(&inputs["thinner_fraction_added"]) * 100.0,
        };
        let answer = quantity(&input(1.0, coat, 1, 0.0)).expect("in range").coats[0];
        assert_close("wet film", answer.wet_film_um, number(&expected["WFT_um"]), &case["tol"]);
        let rate = number(&expected["spread_m2_per_L_unthinned"]);
        assert_close("spreading rate", answer.spreading_rate_m2_l, rate, &case["tol"]);
        assert_close("litres", answer.theoretical_l, number(&expected["L_per_m2"]), &case["tol"]);
    }
}

#[test]
fn packs_are_whole_and_bad_fields_are_named() {
    let coat = CoatToApply { dry_film_um: 100.0, volume_solids_pct: 50.0, thinner_pct: 0.0 };
    let packs = |area_m2| quantity(&input(area_m2, coat, 1, 0.0)).expect("in range").packs;
    assert_eq!((packs(12.5), packs(12.6), packs(0.1)), (Some(1), Some(2), Some(1)));
    let refused = |input: &QuantityInput| quantity(input).expect_err("refused").0[0].pointer.clone();
    assert_eq!(refused(&input(f64::NAN, coat, 1, 0.0)), "/area_m2");
    assert_eq!(refused(&input(1.0, coat, 0, 0.0)), "/coats");
    assert_eq!(refused(&input(1.0, coat, 1, 1.0)), "/loss_fraction");
    let watery = CoatToApply { volume_solids_pct: 0.0, ..coat };
    assert_eq!(refused(&input(1.0, watery, 1, 0.0)), "/coats/0/volume_solids_pct");
}

proptest! {
    /// The litres asked for leave the film asked for; more loss, area or film never takes less; packs hold the litres.
    #[test]
    fn litres_lead_back_to_the_film(
        area_m2 in 1.0..500.0_f64, dry_film_um in 10.0..500.0_f64, volume_solids_pct in 10.0..100.0_f64,
        loss_fraction in 0.0..0.6_f64, more in 1.0..1.5_f64,
    ) {
        let coat = CoatToApply { dry_film_um, volume_solids_pct, thinner_pct: 0.0 };
        let answer = quantity(&input(area_m2, coat, 1, loss_fraction)).expect("in range");
        let again = mean_dry_film_um(answer.practical_l, loss_fraction, volume_solids_pct, area_m2);
        prop_assert!((again / dry_film_um - 1.0).abs() < 1e-9);
        prop_assert!(answer.practical_l >= answer.theoretical_l);
        let packs = f64::from(answer.packs.expect("a pack was given"));
        prop_assert!(packs * 2.5 >= answer.practical_l - 1e-6 && (packs - 1.0) * 2.5 < answer.practical_l);
        let greater = quantity(&input(area_m2 * more, coat, 1, loss_fraction * more)).expect("in range");
        prop_assert!(greater.practical_l >= answer.practical_l);
    }
}
