//! What a count of blisters comes to: the `blister-grade` calculator.
//!
//! Primary data are diameters, count and area. The quantity of ISO 4628-2 (0 to 5) and the frequency of ASTM D714 (F, M,
//! MD, D) are judged against the standards' pictures, which carry no numbers: a surveyor gives them, nothing here derives
//! them. Size classes: S2 to 0.2 mm, S3 to 0.5, S4 to 5, S5 above (ISO 4628-1 and -2, from memory). Correspondence 2=F,
//! 3=M, 4=MD, 5=D; S2=8, S3=6, S4=4, S5=2 (informative annex of ISO 4628-2, from memory).

use std::f64::consts::PI;

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::cautions::cautions;
use super::model::Model;
use super::refusal::Refusals;

/// Most diameters taken.
const MAX_DIAMETERS: usize = 20_000;

/// Frequency of blisters by the pictures of ASTM D714.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub enum AstmFrequency {
    /// Few.
    F,
    /// Medium.
    M,
    /// Medium dense.
    #[serde(rename = "MD")]
    Md,
    /// Dense.
    D,
}

impl AstmFrequency {
    fn word(self) -> &'static str {
        match self {
            Self::F => "F",
            Self::M => "M",
            Self::Md => "MD",
            Self::D => "D",
        }
    }
}

/// What the surveyor judged by the pictures; one of the two.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct JudgedBlistering {
    /// Quantity of ISO 4628-2, 0 to 5.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub iso_quantity: Option<u8>,
    /// Frequency of ASTM D714.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub astm_frequency: Option<AstmFrequency>,
}

/// Blisters on an area: each diameter, or their count and mean diameter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct BlisterGradeInput {
    /// The diameter of every blister, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub diameters_mm: Option<Vec<f64>>,
    /// How many there are; 0 where there are none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub count: Option<u32>,
    /// Their mean diameter, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mean_diameter_mm: Option<f64>,
    /// The area they were counted on, m².
    pub area_m2: f64,
    /// What the surveyor judged by the pictures.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub judged: Option<JudgedBlistering>,
}

/// Size class by both standards.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, ToSchema)]
pub struct BlisterSize {
    /// ISO 4628-2: 0 none, 2 to 5 from small to large; 1, visible only magnified, cannot follow from a diameter.
    pub iso: u8,
    /// ASTM D714: 10 none, then 8, 6, 4, 2 from small to large.
    pub astm: u8,
}

/// Grades as the standards write them, where a quantity was judged.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, ToSchema)]
pub struct BlisterReport {
    /// Such as `3(S4)`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub iso_4628_2: Option<String>,
    /// Such as `4 MD`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub astm_d714: Option<String>,
}

/// What the blisters come to.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct BlisterGradeOutput {
    /// Blisters a square metre.
    pub density_per_m2: f64,
    /// Area of the blisters over the area they were counted on.
    pub area_fraction: f64,
    /// The largest diameter, mm; null where only a mean is known, or nothing was found.
    pub largest_mm: Option<f64>,
    /// Size class, of the largest blister or else of the mean.
    pub size: BlisterSize,
    /// Grades as the standards write them.
    pub report: BlisterReport,
    /// Which formula gave the answer.
    pub model: Model,
    /// What to mind.
    pub cautions: Vec<&'static str>,
}

/// Size class of a diameter, mm; none for no blister.
fn size(diameter_mm: Option<f64>) -> BlisterSize {
    let iso = match diameter_mm {
        None => return BlisterSize { iso: 0, astm: 10 },
        Some(mm) if mm <= 0.2 => 2,
        Some(mm) if mm <= 0.5 => 3,
        Some(mm) if mm <= 5.0 => 4,
        Some(_) => 5,
    };
    BlisterSize { iso, astm: 12 - 2 * iso }
}

/// The frequency of ASTM D714 that corresponds to a quantity of ISO 4628-2; quantities 0 and 1 have none.
fn frequency(iso_quantity: u8) -> Option<AstmFrequency> {
    [AstmFrequency::F, AstmFrequency::M, AstmFrequency::Md, AstmFrequency::D]
        .get(usize::from(iso_quantity).checked_sub(2)?)
        .copied()
}

fn quantity(frequency: AstmFrequency) -> u8 {
    match frequency {
        AstmFrequency::F => 2,
        AstmFrequency::M => 3,
        AstmFrequency::Md => 4,
        AstmFrequency::D => 5,
    }
}

impl BlisterGradeInput {
    /// The diameters' count, sum of squares in mm² and what is known of the largest and of the class.
    fn blisters(&self, refusals: &mut Refusals) -> (f64, f64, Option<f64>, Option<f64>) {
        let range =
            |refusals: &mut Refusals, pointer: &str, mm| refusals.range(pointer, mm, 0.01, 2_000.0, "mm");
        match (&self.diameters_mm, self.count) {
            (Some(diameters), None) => {
                if self.mean_diameter_mm.is_some() {
                    refusals.refuse(
                        "/mean_diameter_mm",
                        "exclusive",
                        "stands beside diameters_mm; leave it out",
                    );
                }
                if diameters.is_empty() || diameters.len() > MAX_DIAMETERS {
                    refusals.refuse(
                        "/diameters_mm",
                        "count",
                        format!("enter from 1 to {MAX_DIAMETERS} diameters, or count 0 where there are none"),
                    );
                }
                for (n, &mm) in diameters.iter().take(MAX_DIAMETERS).enumerate() {
                    range(refusals, &format!("/diameters_mm/{n}"), mm);
                }
                let largest = diameters.iter().copied().reduce(f64::max);
                let squares = diameters.iter().map(|mm| mm * mm).sum();
                (f64::from(u32::try_from(diameters.len()).unwrap_or(u32::MAX)), squares, largest, largest)
            }
            (None, Some(count)) => {
                match self.mean_diameter_mm {
                    Some(mm) if count > 0 => range(refusals, "/mean_diameter_mm", mm),
                    Some(_) => refusals.refuse(
                        "/mean_diameter_mm",
                        "not_used",
                        "no blisters have no diameter; leave it out or enter a count",
                    ),
                    None if count > 0 => {
                        refusals.refuse(
                            "/mean_diameter_mm",
                            "required",
                            "is missing; enter it with the count",
                        );
                    }
                    None => {}
                }
                let mean = self.mean_diameter_mm.unwrap_or(0.0);
                (f64::from(count), f64::from(count) * mean * mean, None, self.mean_diameter_mm)
            }
            (Some(_), Some(_)) => {
                refusals.refuse("/count", "exclusive", "stands beside diameters_mm; enter one of the two");
                (0.0, 0.0, None, None)
            }
            (None, None) => {
                refusals.refuse(
                    "/diameters_mm",
                    "required",
                    "is missing; enter it, or count and mean_diameter_mm",
                );
                (0.0, 0.0, None, None)
            }
        }
    }

    fn judgement(&self, count: f64, refusals: &mut Refusals) -> Option<u8> {
        let judged = self.judged?;
        let quantity = match (judged.iso_quantity, judged.astm_frequency) {
            (Some(iso), None) => {
                if iso > 5 {
                    refusals.refuse("/judged/iso_quantity", "out_of_range", "enter a quantity from 0 to 5");
                }
                if (iso == 0) != (count == 0.0) {
                    refusals.refuse(
                        "/judged/iso_quantity",
                        "contradicts",
                        "0 is for no blisters and only for them; enter what the pictures show, or mend the count",
                    );
                }
                iso
            }
            (None, Some(astm)) => {
                if count == 0.0 {
                    refusals.refuse(
                        "/judged/astm_frequency",
                        "contradicts",
                        "no blisters have no frequency; leave it out or enter a count",
                    );
                }
                quantity(astm)
            }
            (Some(_), Some(_)) => {
                refusals.refuse("/judged/astm_frequency", "exclusive", "enter one judgement, not both");
                0
            }
            (None, None) => {
                refusals.refuse("/judged", "required", "is empty; enter a judgement or leave it out");
                0
            }
        };
        Some(quantity)
    }
}

/// Density, area fraction, size class and grade of the blisters on an area.
///
/// # Formula
/// `density = n/A`; `area fraction = Σ π d²/4 / A` (from a mean diameter, n π d̄²/4, which is the least it can be); size
/// class of the largest blister, as in the module's description (ISO 4628-2, ASTM D714, from memory). Diameters of 0.01
/// to 2,000 mm, areas of 0.0001 to 100,000 m².
///
/// ```
/// let input = serde_json::json!({"diameters_mm": [2, 3, 4.5], "area_m2": 0.5, "judged": {"iso_quantity": 3}});
/// let input = serde_json::from_value(input).expect("the fields above");
/// let answer = garboard::science::blister::blister_grade(&input).expect("in range");
/// assert_eq!(answer.report.iso_4628_2.as_deref(), Some("3(S4)"));
/// ```
///
/// # Errors
/// Neither or both ways of giving the blisters; blisters that cover more than the area; a judgement that contradicts the
/// count.
pub fn blister_grade(input: &BlisterGradeInput) -> Result<BlisterGradeOutput, Refusals> {
    let mut refusals = Refusals::default();
    refusals.range("/area_m2", input.area_m2, 0.000_1, 100_000.0, "m2");
    let (count, squares_mm2, largest_mm, class_mm) = input.blisters(&mut refusals);
    let area_fraction = squares_mm2 * PI / 4.0 * 1e-6 / input.area_m2;
    if refusals.0.is_empty() && area_fraction > 1.0 {
        refusals.refuse(
            "/area_m2",
            "too_small",
            "is less than the blisters cover; enter the area they were counted on",
        );
    }
    let judged = input.judgement(count, &mut refusals);
    refusals.into_result()?;
    let size = size(class_mm);
    let mut report = BlisterReport::default();
    if count == 0.0 {
        report = BlisterReport { iso_4628_2: Some("0(S0)".to_owned()), astm_d714: Some("10".to_owned()) };
    } else if let Some(quantity) = judged {
        report.iso_4628_2 = Some(format!("{quantity}(S{})", size.iso));
        report.astm_d714 = frequency(quantity).map(|frequency| format!("{} {}", size.astm, frequency.word()));
    }
    let mut cautions = cautions([]);
    cautions.push(
        "Quantity and frequency are judged by the standards' pictures; the size classes stop at over 5 mm: keep the \
         millimetres.",
    );
    Ok(BlisterGradeOutput {
        density_per_m2: count / input.area_m2,
        area_fraction,
        largest_mm,
        size,
        report,
        model: Model { name: "blister-grade", version: 1 },
        cautions,
    })
}
