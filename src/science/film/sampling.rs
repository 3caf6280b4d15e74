//! How many readings tell a film thickness, by the area inspected.

/// Readings of ISO 19840:2012, table 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Iso19840Sampling {
    /// Least readings.
    pub min_readings: u32,
    /// Most readings that may be taken again.
    pub max_repeats: u32,
}

/// Readings of SSPC-PA 2 section 8: five spots an area, at least three gauge readings a spot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pa2Sampling {
    /// Areas of 10 m².
    pub areas: u32,
    /// Spots over all areas.
    pub spots: u32,
    /// Least gauge readings over all spots.
    pub min_gauge_readings: u32,
}

/// Counts whole steps, a started one as a whole.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "as-casts saturate; areas are small"
)]
fn started(value: f64) -> u32 {
    value.max(0.0).ceil() as u32
}

/// Least readings for an area in m², or a length of difficult area in m (ISO 19840:2012 table 1, from memory): 5 to
/// 1 m², 10 to 3, 15 to 10, 20 to 30, 30 to 100, and 10 more for each further 100 started; a fifth may be repeated.
///
/// ```
/// assert_eq!(garboard::science::film::iso_19840_sampling(31.0).min_readings, 30);
/// ```
#[must_use]
pub fn iso_19840_sampling(area_m2: f64) -> Iso19840Sampling {
    let steps = [(1.0, 5), (3.0, 10), (10.0, 15), (30.0, 20), (100.0, 30)];
    let min_readings = steps
        .into_iter()
        .find(|&(largest_m2, _)| area_m2 <= largest_m2)
        .map_or_else(|| 30 + 10 * started((area_m2 - 100.0) / 100.0), |(_, readings)| readings);
    Iso19840Sampling { min_readings, max_repeats: min_readings / 5 }
}

/// Least spots for an area in m² (SSPC-PA 2, section 8): every started 10 m² to 30, three areas to 100, one more for
/// each further 100 started. In square feet the standard counts by the hundred: give `area_ft2 / 10`.
///
/// ```
/// assert_eq!(garboard::science::film::pa_2_sampling(12.0).spots, 10);
/// ```
#[must_use]
pub fn pa_2_sampling(area_m2: f64) -> Pa2Sampling {
    let areas =
        if area_m2 <= 30.0 { started(area_m2 / 10.0).max(1) } else { 3 + started((area_m2 - 100.0) / 100.0) };
    Pa2Sampling { areas, spots: 5 * areas, min_gauge_readings: 15 * areas }
}
