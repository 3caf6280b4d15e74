//! The slab against the closed forms of Crank and of Carslaw and Jaeger, through the public water state. A slab of
//! thickness, diffusivity and capacity 1 without activation turns seconds into Fourier time.

use garboard::science::arrhenius::{GAS_CONSTANT_J_MOL_K, ZERO_CELSIUS_K, ratio};
use garboard::science::exposure::{
    HullWater, Laminate, SECONDS_PER_DAY, SECONDS_PER_YEAR, Segment, SegmentEnd, WaterState,
};
use garboard::science::slab::{Eigenvalues, Faces, SHORTEST_FOURIER};
use proptest::prelude::*;
use serde_json::Value;

use crate::check_values::{assert_close, cases, number};

/// Resistance that lets nothing through.
const SEALED: f64 = 1e20;

fn slab(thickness_m: f64, diffusivity_15c_m2_s: f64, inner_resistance_m2_s_kg: f64) -> HullWater {
    HullWater {
        laminate: Laminate {
            thickness_m,
            diffusivity_15c_m2_s,
            capacity_kg_m3: 1.0,
            activation_energy_j_mol: 0.0,
        },
        inner_resistance_m2_s_kg,
        reference_skin_resistance_m2_s_kg: 0.0,
        pocket_resistance_m2_s_kg: 1.0,
        threshold_activity: 0.5,
        hydrolysis_activation_energy_j_mol: 0.0,
    }
}

fn stretch(seconds: f64, outer: f64, inner: f64, skin: f64) -> Segment {
    Segment {
        days: seconds / SECONDS_PER_DAY,
        temperature_c: 15.0,
        outer_activity: outer,
        inner_activity: inner,
        skin_resistance_15c_m2_s_kg: skin,
    }
}

/// Uptake of a dry unit slab from activity 1 outside.
fn uptake(fourier: f64, skin: f64, inner_resistance: f64) -> SegmentEnd {
    let hull = slab(1.0, 1.0, inner_resistance);
    WaterState::new(&hull, 0.0).advance(&hull, &stretch(fourier, 1.0, 1.0, skin))
}

#[test]
fn roots_agree_with_crank_table_4_2() {
    for case in cases("diffusion-surface-resistance-roots") {
        // One face sealed: β tan β = L.
        let faces = Faces { outer: 1.0 / number(&case["inputs"]["L"]), inner: SEALED };
        for column in ["beta", "beta_table_4_2_4dp"] {
            let expected = case["expected"][column].as_array().expect("roots");
            for (beta, expected) in Eigenvalues::new(faces).zip(expected) {
                assert_close(column, beta, number(expected), &case["tol"][column]);
            }
        }
    }
}

#[test]
fn uptake_through_a_surface_resistance_agrees_with_crank_4_53() {
    for case in cases("diffusion-surface-resistance-uptake") {
        let skin = 1.0 / number(&case["inputs"]["L"]);
        let end = uptake(number(&case["inputs"]["Dt_over_l2"]), skin, SEALED);
        assert_close(
            "uptake",
            end.mean_activity,
            number(&case["expected"]["Mt_over_Minf"]),
            &case["tol"]["Mt_over_Minf"],
        );
    }
}

/// The one case below the shortest stretch the solver resolves is left out, and counted.
#[test]
fn plane_sheet_uptake_agrees_with_crank_4_18() {
    let mut too_short = 0;
    for case in cases("diffusion-plane-sheet-uptake") {
        let fourier = number(&case["inputs"]["Dt_over_h2"]);
        if fourier < SHORTEST_FOURIER {
            too_short += 1;
            continue;
        }
        let end = uptake(fourier, 0.0, 0.0);
        assert_close("uptake", end.mean_activity, number(&case["expected"]["exact"]), &case["tol"]["exact"]);
    }
    assert_eq!(too_short, 1);
}

#[test]
fn profile_agrees_with_crank_4_17() {
    for case in cases("diffusion-profile") {
        // The file's sheet is two slabs with a sealed face back to back.
        let hull = slab(1.0, 1.0, SEALED);
        let mut water = WaterState::new(&hull, 0.0);
        water.advance(&hull, &stretch(number(&case["inputs"]["Dt_over_l2"]), 1.0, 1.0, 0.0));
        let profile = water.profile(&hull, 101);
        let from_face = (1.0 - number(&case["inputs"]["x_over_l"])) * 100.0;
        let position =
            (0..=100_u32).find(|&n| (f64::from(n) - from_face).abs() < 1e-9).expect("a whole percent");
        let activity = profile[usize::try_from(position).expect("small")];
        assert_close("profile", activity, number(&case["expected"]["C_over_C1"]), &case["tol"]);
    }
}

#[test]
fn time_to_a_fraction_agrees_with_the_inverse_of_crank_4_18() {
    let time_to = |fraction: f64, inner_resistance: f64| {
        let (mut early, mut late) = (SHORTEST_FOURIER, 10.0);
        while late - early > 1e-12 {
            let middle = f64::midpoint(early, late);
            let reached = uptake(middle, 0.0, inner_resistance).mean_activity >= fraction;
            if reached { late = middle } else { early = middle }
        }
        late
    };
    for case in cases("diffusion-time-to-fraction") {
        let fraction = number(&case["inputs"]["fraction"]);
        for (key, inner) in [("Dt_over_h2_two_sided", 0.0), ("Dt_over_thk2_one_sided", SEALED)] {
            assert_close(key, time_to(fraction, inner), number(&case["expected"][key]), &case["tol"][key]);
        }
    }
}

/// Amount that has come through a dry slab, over l·C₁, and the flux over the steady one. The way out leads through a
/// trace of skin, whose face activity is that flux; the threshold lies below everything, so exposure adds it up.
fn permeated(thickness_m: f64, diffusivity: f64, seconds: f64) -> (f64, f64) {
    let trace = 1e-9;
    let hull = HullWater { threshold_activity: -1e-4, ..slab(thickness_m, diffusivity, 0.0) };
    let skin = trace * thickness_m / diffusivity;
    let hull = HullWater { pocket_resistance_m2_s_kg: 1e6 * skin, ..hull };
    let end = WaterState::new(&hull, 0.0).advance(&hull, &stretch(seconds, 0.0, 1.0, skin));
    let through_skin = hull.pocket_resistance_m2_s_kg / (skin + hull.pocket_resistance_m2_s_kg);
    let above_seconds = end.exposure_years * SECONDS_PER_YEAR * 1.0001 / through_skin - 1e-4 * seconds;
    (above_seconds * diffusivity / (thickness_m * thickness_m) / trace, end.outer_face_activity / trace)
}

#[test]
fn permeation_agrees_with_crank_4_24a() {
    for case in cases("diffusion-permeation") {
        let (amount, flux) = permeated(1.0, 1.0, number(&case["inputs"]["Dt_over_l2"]));
        assert_close("amount", amount, number(&case["expected"]["Q_over_lC1"]), &case["tol"]);
        assert_close("flux", flux, number(&case["expected"]["flux_ratio"]), &case["tol"]);
    }
}

#[test]
fn time_lag_agrees_with_crank_4_26() {
    for case in cases("diffusion-time-lag") {
        let (thickness_m, diffusivity) =
            (number(&case["inputs"]["thickness_m"]), number(&case["inputs"]["D_m2_s"]));
        let seconds_per_fourier = thickness_m * thickness_m / diffusivity;
        let (amount, _) = permeated(thickness_m, diffusivity, 4.0 * seconds_per_fourier);
        let lag_s = (4.0 - amount) * seconds_per_fourier;
        assert_close("lag", lag_s, number(&case["expected"]["lag_s"]), &case["tol"]);
        assert_close("lag", lag_s / SECONDS_PER_DAY, number(&case["expected"]["lag_days"]), &case["tol"]);
    }
}

/// diffusion-slope-method.json (ASTM D5229, from memory): the diffusivity that a weighed sheet's uptake tells by its
/// slope over the root of time is the one the solver was given. Where the sheet's edges take water too, the faces'
/// uptakes add up at first (Shen and Springer 1976), and the slope tells the apparent diffusivity.
#[test]
fn the_slope_of_the_uptake_tells_the_diffusivity() {
    let slope_method = |thickness_m: f64, [first_s, second_s]: [f64; 2], [first, second]: [f64; 2]| {
        let slope = (second - first) / (second_s.sqrt() - first_s.sqrt());
        std::f64::consts::PI * (thickness_m * slope / 4.0).powi(2)
    };
    let (mut sheets, mut edged) = (0, 0);
    for case in cases("diffusion-slope-method") {
        let (i, expected) = (&case["inputs"], &case["expected"]);
        let thickness_m = number(&i["h_m"]);
        let taken_up = |diffusivity: f64, across_m: f64, seconds: f64| {
            uptake(diffusivity * seconds / across_m.powi(2), 0.0, 0.0).mean_activity
        };
        if let Some(apparent) = i["D_apparent"].as_f64() {
            let diffusivity = number(&expected["D_edge_corrected"]);
            let sides = [thickness_m, number(&i["length_m"]), number(&i["width_m"])];
            // Within what the solver resolves for the longest side and the root's law holds for the thickness.
            let longest_m = sides[1].max(sides[2]);
            let times = [1.02, 1.5].map(|factor| factor * SHORTEST_FOURIER * longest_m.powi(2) / diffusivity);
            let masses =
                times.map(|seconds| sides.iter().map(|side| taken_up(diffusivity, *side, seconds)).sum());
            assert_close("apparent", slope_method(thickness_m, times, masses), apparent, &case["tol"]);
            edged += 1;
            continue;
        }
        let diffusivity = number(&expected["D_m2_s"]);
        // The file's masses follow the root's law, from which a sheet that is half full has left by 0.06 %: a
        // sixteenth of the time, a quarter of the mass.
        let times = [number(&i["t1_s"]) / 16.0, number(&i["t2_s"]) / 16.0];
        let masses = times.map(|seconds| taken_up(diffusivity, thickness_m, seconds));
        for (mass, weighed) in masses.into_iter().zip([&i["M1_pct"], &i["M2_pct"]]) {
            assert_close("mass", 4.0 * mass * number(&i["Mm_pct"]), number(weighed), &case["tol"]);
        }
        assert_close("slope", slope_method(thickness_m, times, masses), diffusivity, &case["tol"]);
        sheets += 1;
    }
    assert_eq!((sheets, edged), (3, 3));
}

#[test]
fn temperature_stretches_time_as_crank_7_1() {
    for case in cases("diffusion-variable-temperature") {
        let inputs = &case["inputs"];
        let energy = number(&inputs["Ea_J"]);
        let at_15c = number(&inputs["D_ref"]) / ratio(energy, number(&inputs["T_ref_C"]));
        let mut hull = slab(number(&inputs["thickness_m"]), at_15c, SEALED);
        hull.laminate.activation_energy_j_mol = energy;
        let mut water = WaterState::new(&hull, 1.0);
        let (mut mean, mut integral) = (1.0, 0.0);
        for step in inputs["schedule_days_C"].as_array().expect("a schedule") {
            let (days, temperature_c) = (number(&step[0]), number(&step[1]));
            let segment = Segment { days, temperature_c, ..stretch(0.0, 0.0, 0.0, 0.0) };
            mean = water.advance(&hull, &segment).mean_activity;
            integral += at_15c * ratio(energy, temperature_c) * days * SECONDS_PER_DAY;
        }
        assert_close("fraction lost", 1.0 - mean, number(&case["expected"]["fraction_lost"]), &case["tol"]);
        assert_close("integral", integral, number(&case["expected"]["integral_D_dt"]), &case["tol"]);
    }
}

/// The file's values end at nine digits: half a unit of the ninth is allowed where that is more than its tolerance.
#[test]
fn arrhenius_ratios_agree() {
    for case in cases("arrhenius-ratio") {
        let energy = number(&case["inputs"]["Ea_J_mol"]);
        let (at, reference) = (number(&case["inputs"]["T_C"]), number(&case["inputs"]["T_ref_C"]));
        let ratio = ratio(energy, at) / ratio(energy, reference);
        let expected = number(&case["expected"]["D_ratio"]);
        let allowed = number(&case["tol"]).max(5e-9 * expected);
        assert_close("ratio", ratio, expected, &Value::from(allowed));
    }
}

/// The file gives the activation energy through two points: from the first and it, the second must follow, and D₀.
#[test]
fn arrhenius_two_points_agree() {
    for case in cases("arrhenius-two-point") {
        let (inputs, expected) = (&case["inputs"], &case["expected"]);
        let energy = number(&expected["Ea_J_mol"]);
        let (first_c, second_c) = (number(&inputs["T1_C"]), number(&inputs["T2_C"]));
        let second = number(&inputs["D1"]) * ratio(energy, second_c) / ratio(energy, first_c);
        assert_close("second point", second, number(&inputs["D2"]), &case["tol"]);
        let kelvin = first_c + ZERO_CELSIUS_K;
        let at_infinity = number(&inputs["D1"]) * (energy / (GAS_CONSTANT_J_MOL_K * kelvin)).exp();
        assert_close("D0", at_infinity, number(&expected["D0"]), &case["tol"]);
    }
}

/// Carslaw and Jaeger 1959, section 3.11: every root satisfies tan β = β(L₁+L₂)/(β²-L₁L₂), here multiplied out so that
/// a bare face has its limit.
#[test]
fn a_bare_face_has_its_exact_roots() {
    let half = Eigenvalues::new(Faces { outer: 0.0, inner: SEALED });
    let whole = Eigenvalues::new(Faces { outer: 0.0, inner: 0.0 });
    for (n, (half, whole)) in (0..200_u32).zip(half.zip(whole)) {
        let tolerance = Value::from("1e-13 rel");
        assert_close("one face", half, std::f64::consts::PI * (f64::from(n) + 0.5), &tolerance);
        assert_close("both faces", whole, std::f64::consts::PI * (f64::from(n) + 1.0), &tolerance);
    }
}

fn resistance() -> impl Strategy<Value = f64> {
    prop_oneof![1 => Just(0.0), 9 => (-9.0..9.0_f64).prop_map(|exponent| 10.0_f64.powf(exponent))]
}

proptest! {
    /// No root is missed or found twice, whatever the faces: one in each (nπ, (n+1)π], and it solves the equation
    /// (r₁r₂β² - 1) sin β = (r₁ + r₂) β cos β.
    #[test]
    fn every_root_is_found(outer in resistance(), inner in resistance()) {
        for (n, beta) in (0..64_u32).zip(Eigenvalues::new(Faces { outer, inner })) {
            let low = std::f64::consts::PI * f64::from(n);
            prop_assert!(beta > low && beta <= low + std::f64::consts::PI * (1.0 + 1e-15), "{beta} above {low}");
            let (sin, cos) = beta.sin_cos();
            let terms = [(outer * inner * beta * beta - 1.0) * sin, (outer + inner) * beta * cos];
            let size = (outer * inner * beta * beta).abs() + 1.0 + (outer + inner) * beta;
            prop_assert!((terms[0] - terms[1]).abs() <= 1e-11 * size, "{beta}: {terms:?}");
        }
    }
}
