//! What is assumed before a fleet's history has been learned. Values are from memory of the trade's
//! literature or common practice, no source; no published table of onset times by resin and service
//! temperature was found.

use super::facts::{Bilge, CoatRole, LaminateClass};
use crate::science::skin::{self, LayerRole};

/// A quantity whose logarithm is normal: its median and geometric standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LogNormal {
    /// Median, in the quantity's own unit.
    pub median: f64,
    /// Geometric standard deviation, at least 1.
    pub gsd: f64,
}

impl LogNormal {
    /// The quantity at a standard normal deviate `z`: median · gsd^z.
    #[must_use]
    pub fn at(&self, z: f64) -> f64 {
        self.median * (self.gsd.ln() * z).exp()
    }
}

/// The prior distributions and default values of the forecast.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Priors {
    /// Diffusivity of the laminate at 15 °C, m²/s.
    pub diffusivity_15c_m2_s: LogNormal,
    /// Water the laminate holds at activity 1, kg/m³.
    pub capacity_kg_m3: f64,
    /// Lowest activation energy of laminate and skin, J/mol (uniform).
    pub activation_energy_min_j_mol: f64,
    /// Highest activation energy of laminate and skin, J/mol (uniform).
    pub activation_energy_max_j_mol: f64,
    /// Activation energy of hydrolysis, mean, J/mol (normal).
    pub hydrolysis_energy_mean_j_mol: f64,
    /// Activation energy of hydrolysis, standard deviation, J/mol.
    pub hydrolysis_energy_sd_j_mol: f64,
    /// Water activity inside a pocket, mean (normal, cut).
    pub threshold_mean: f64,
    /// Water activity inside a pocket, standard deviation.
    pub threshold_sd: f64,
    /// Water activity inside a pocket, lower cut.
    pub threshold_min: f64,
    /// Water activity inside a pocket, upper cut.
    pub threshold_max: f64,
    /// Resistance of the skin over its nominal value (gelcoat, sealer, barrier together).
    pub skin_factor: LogNormal,
    /// The part of the variance of log skin resistance that is the film's thickness, the rest its permeability: a
    /// geometric standard deviation of 1.3 within 1.5. A film that was measured does not have it.
    pub film_part_of_skin: f64,
    /// Resistance of the material between skin and pocket, m² s/kg.
    pub pocket_resistance_m2_s_kg: LogNormal,
    /// Resistance of the reference gelcoat, m² s/kg.
    pub reference_skin_resistance_m2_s_kg: f64,
    /// Resistance at the inner face, m² s/kg.
    pub inner_resistance_m2_s_kg: f64,
    /// Water activity of the laminate at launch.
    pub launch_activity: f64,
    /// Spread of the class scale, which is not known well.
    pub class_scale_gsd: f64,
    /// Spread of hulls about their class.
    pub hull_scale_gsd: f64,
    /// Weibull shape of the onset.
    pub shape: LogNormal,
    /// Spread of an antifouling's wear rate about its data sheet.
    pub wear_gsd: f64,
    /// Growth of the wear rate with water temperature, per kelvin.
    pub wear_per_k: f64,
}

impl Default for Priors {
    fn default() -> Self {
        Self {
            diffusivity_15c_m2_s: LogNormal { median: 4e-13, gsd: 2.0 },
            capacity_kg_m3: 15.0,
            activation_energy_min_j_mol: 25_000.0,
            activation_energy_max_j_mol: 60_000.0,
            hydrolysis_energy_mean_j_mol: 60_000.0,
            hydrolysis_energy_sd_j_mol: 8_000.0,
            threshold_mean: 0.85,
            threshold_sd: 0.04,
            threshold_min: 0.72,
            threshold_max: 0.96,
            skin_factor: LogNormal { median: 1.0, gsd: 1.5 },
            film_part_of_skin: 0.42,
            pocket_resistance_m2_s_kg: LogNormal { median: 3e7, gsd: 1.6 },
            reference_skin_resistance_m2_s_kg: 7e7,
            inner_resistance_m2_s_kg: 0.0,
            launch_activity: 0.60,
            class_scale_gsd: 1.6,
            hull_scale_gsd: 1.25,
            shape: LogNormal { median: 2.5, gsd: 1.2 },
            wear_gsd: 1.4,
            wear_per_k: 0.04,
        }
    }
}

impl Priors {
    /// Weibull scale η of a laminate class, exposure years.
    #[must_use]
    pub fn class_scale_exposure_years(&self, class: LaminateClass) -> f64 {
        match class {
            LaminateClass::Orthophthalic => 8.0,
            LaminateClass::Isophthalic => 12.0,
            LaminateClass::VinylesterSkin => 28.0,
            LaminateClass::Vinylester => 40.0,
            LaminateClass::Epoxy => 80.0,
        }
    }

    /// The classes an unknown laminate may be, equally likely.
    #[must_use]
    pub fn unknown_classes(&self) -> [LaminateClass; 3] {
        [LaminateClass::Orthophthalic, LaminateClass::Isophthalic, LaminateClass::VinylesterSkin]
    }

    /// Water activity at the inner face over a bilge.
    #[must_use]
    pub fn bilge_activity(&self, bilge: Bilge) -> f64 {
        match bilge {
            Bilge::Dry => 0.65,
            Bilge::Damp => 0.85,
            Bilge::Wet => 1.0,
        }
    }

    /// The bilge of a hull whose bilge is not recorded.
    #[must_use]
    pub fn unknown_bilge(&self) -> Bilge {
        Bilge::Damp
    }

    /// Bottom laminate thickness from length: 3 mm + 0.5 mm per metre (8 mm at 10 m).
    #[must_use]
    pub fn laminate_thickness_mm(&self, length_m: f64) -> f64 {
        3.0 + 0.5 * length_m
    }

    /// Dry film of a whole system of coats of one role, put on together, whose films are not recorded, µm.
    #[must_use]
    pub fn system_film_um(&self, role: CoatRole) -> f64 {
        match role {
            CoatRole::Gelcoat => 600.0,
            CoatRole::Barrier => 250.0,
            CoatRole::Sealer | CoatRole::Antifouling => 150.0,
            CoatRole::Topcoat => 50.0,
        }
    }

    /// Coats of one role put on within this many days of each other are one system.
    #[must_use]
    pub fn system_days(&self) -> i64 {
        30
    }

    /// Permeability at 15 °C of a skin coat, kg/(m s); none for antifouling, which is no skin.
    #[must_use]
    pub fn permeability_kg_m_s(&self, role: CoatRole) -> Option<f64> {
        let role = match role {
            CoatRole::Gelcoat => LayerRole::Gelcoat,
            CoatRole::Sealer => LayerRole::Sealer,
            CoatRole::Barrier => LayerRole::Barrier,
            CoatRole::Topcoat => LayerRole::Topcoat,
            CoatRole::Antifouling => return None,
        };
        Some(skin::default_permeability_kg_m_s(role))
    }
}
