//! What widens a range most: shares of the variance of a quantity over weighted members.
//!
//! The first-order share of an input x in the variance of y is S = Var(E[y|x]) / Var(y). With the members sorted by x and
//! cut into B groups of even weight, η² = Σ W (Ȳ - ȳ)² / Σ w (y - ȳ)², W and Ȳ a group's (the correlation ratio, Pearson 1905) estimates
//! it, too high by chance: of N members of equal weight B - 1 of N - 1 parts of what is pure noise. So
//! ε² = 1 - (1 - η²)(N - 1)/(N - B) (Kelley 1935), N the members' effective number (Σw)²/Σw² (Kish 1965), at least 0.
//! Shares need not sum to one: what is left belongs to inputs together.
//! Source of the measure: Saltelli et al., Global Sensitivity Analysis (2008), chapter 1; all from memory, not re-read.
//! Ranges: finite y; N well over B; no units.

/// Members a group should at least have.
const LEAST_OF_A_GROUP: f64 = 16.0;
/// Most groups: finer ones add less than a hundredth to the share of a smooth input.
const MOST_GROUPS: f64 = 32.0;

/// A member's value and its weight.
pub type Weighted = (f64, f64);

/// Mean and variance of weighted values; none where nothing weighs anything.
#[must_use]
pub fn moments(values: &[Weighted]) -> Option<(f64, f64)> {
    let total: f64 = values.iter().map(|(_, weight)| weight).sum();
    let mean = values.iter().map(|(value, weight)| value * weight).sum::<f64>() / total;
    let variance = values.iter().map(|(value, weight)| weight * (value - mean).powi(2)).sum::<f64>() / total;
    (total > 0.0).then_some((mean, variance))
}

/// The effective number of members: (Σw)²/Σw².
#[must_use]
pub fn effective_members(values: &[Weighted]) -> f64 {
    let total: f64 = values.iter().map(|(_, weight)| weight).sum();
    let square: f64 = values.iter().map(|(_, weight)| weight * weight).sum();
    if square > 0.0 { total * total / square } else { 0.0 }
}

/// The first-order share of an input, one value a member, in the variance of `values`. Members that are alike in the
/// input stay in one group. None where nothing varies, or too few members weigh anything to tell.
#[must_use]
pub fn first_order_share(input: &[f64], values: &[Weighted]) -> Option<f64> {
    let (mean, variance) = moments(values)?;
    let members = effective_members(values);
    if variance <= 0.0 || members < 2.0 * LEAST_OF_A_GROUP || input.len() != values.len() {
        return None;
    }
    let most = (members / LEAST_OF_A_GROUP).floor().clamp(2.0, MOST_GROUPS);
    let mut sorted: Vec<(f64, Weighted)> = input.iter().copied().zip(values.iter().copied()).collect();
    sorted.retain(|(_, (_, weight))| *weight > 0.0);
    sorted.sort_by(|one, other| one.0.total_cmp(&other.0));
    let total: f64 = sorted.iter().map(|(_, (_, weight))| weight).sum();
    let mut between = 0.0;
    let mut groups = 0.0;
    let mut before = 0.0;
    let mut group: Vec<Weighted> = Vec::new();
    for (index, &(at, value)) in sorted.iter().enumerate() {
        before += value.1;
        group.push(value);
        let next = sorted.get(index + 1);
        let full = before * most >= (groups + 1.0) * total * (1.0 - 1e-12);
        let apart = next.is_none_or(|next| next.0 > at);
        if next.is_none() || (full && apart) {
            if let Some((own, _)) = moments(&group) {
                between += group.iter().map(|(_, weight)| weight).sum::<f64>() * (own - mean).powi(2);
                groups += 1.0;
            }
            group.clear();
        }
    }
    let ratio = between / (total * variance);
    Some((1.0 - (1.0 - ratio) * (members - 1.0) / (members - groups)).clamp(0.0, 1.0))
}
