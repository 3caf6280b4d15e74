//! salts-bresle.json: ISO 8502-6 and -9, from memory.

use garboard::science::salts::surface_density_mg_m2;

use crate::check_values::{assert_close, cases, number};

#[test]
fn salts_follow_from_conductivity() {
    for case in cases("salts-bresle") {
        let i = &case["inputs"];
        let density =
            surface_density_mg_m2(number(&i["dgamma_uS_cm"]), number(&i["V_mL"]), number(&i["A_mm2"]));
        assert_close("salts", density, number(&case["expected"]["salt_mg_m2"]), &case["tol"]);
    }
}
