//! Lifetimes as CSV: of each group a line for each interval that holds mass, then a line for each point of the curve.

use super::lifetimes::LifetimesView;
use crate::codes;
use crate::error::Result;
use crate::features::statistics::model::lifetimes::LifetimeGroup;
use crate::http::csv::{harmless, lines};

/// The header line: names as in JSON, `line` telling what a line is.
const HEADER: [&str; 20] = [
    "time",
    "laminate_class",
    "skin_system",
    "water",
    "site_id",
    "site_name",
    "hulls",
    "lives",
    "events",
    "weibull_scale",
    "weibull_shape",
    "line",
    "from",
    "to",
    "mass",
    "t",
    "turnbull",
    "weibull",
    "lower",
    "upper",
];

/// Lifetimes as CSV.
///
/// # Errors
/// Internal, a defect.
pub fn csv(view: &LifetimesView) -> Result<Vec<u8>> {
    let header = HEADER.into_iter().map(str::to_owned).collect();
    let mut rows: Vec<Vec<String>> = vec![header];
    let number = |value: Option<f64>| value.map(|value| value.to_string()).unwrap_or_default();
    for group in &view.groups {
        let own = leading(group, codes::to_text(&view.time)?)?;
        for mass in &group.turnbull {
            let cells = [Some(mass.from), mass.to, Some(mass.mass), None, None, None, None, None].map(number);
            rows.push(own.iter().cloned().chain(["interval".to_owned()]).chain(cells).collect());
        }
        for p in &group.curve {
            let cells = [None, None, None, Some(p.t), p.turnbull, p.weibull, p.lower, p.upper].map(number);
            rows.push(own.iter().cloned().chain(["curve".to_owned()]).chain(cells).collect());
        }
    }
    lines(rows)
}

/// The cells that every line of a group begins with.
fn leading(group: &LifetimeGroup, time: String) -> Result<Vec<String>> {
    let word = |word: Option<String>| word.unwrap_or_default();
    Ok(vec![
        time,
        word(group.laminate_class.as_ref().map(codes::to_text).transpose()?),
        word(group.skin_system.as_ref().map(codes::to_text).transpose()?),
        word(group.water.as_ref().map(codes::to_text).transpose()?),
        word(group.site_id.map(|id| id.to_string())),
        word(group.site_name.as_deref().map(|name| harmless(name).into_owned())),
        group.hulls.to_string(),
        group.lives.to_string(),
        group.events.to_string(),
        word(group.weibull.map(|fit| fit.scale.to_string())),
        word(group.weibull.map(|fit| fit.shape.to_string())),
    ])
}
