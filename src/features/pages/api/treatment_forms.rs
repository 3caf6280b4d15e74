//! The forms of a treatment's page: for each act that is possible now, by whom looks.

use super::act_form::{ActForm, Field, Kind, fresh_id};
use super::entry::may;
use super::entry_survey::choice;
use super::record_forms::ADD_A_PRODUCT;
use super::yard_words::{LocalTime, headed, number, word};
use crate::features::products::model::CoatRole;
use crate::features::products::store::Product;
use crate::features::treatments::api::plan::{PlanView, UnderWay};
use crate::features::treatments::model::entry::{EntryKind, StepState, TreatmentState};
use crate::features::treatments::model::plan::StepKind;
use crate::features::vessels::model::Zone;
use crate::permissions::{Powers, RecordReadings, RecordWork, Survey};
use crate::science::cautions::{Work, cautions};

/// What the forms are made of.
#[derive(Debug)]
pub struct Forms<'a> {
    /// The treatment.
    pub under_way: &'a UnderWay,
    /// The products there are, for coats.
    pub products: &'a [Product],
    /// The name of who looks.
    pub person: String,
    /// What who looks may do.
    pub powers: &'a Powers,
    /// The organisation's clock.
    pub local: LocalTime,
    /// Those that are not possible now too: a form that is sent twice is read twice, and made once.
    pub every: bool,
}

/// A step in a zone, as one choice.
fn at(step: StepKind, zone: Zone) -> (String, String) {
    (
        format!("{} {}", word(&step).replace(' ', "_"), word(&zone)),
        format!("{} on the {}", headed(&step), word(&zone)),
    )
}

impl Forms<'_> {
    fn plan(&self) -> &PlanView {
        &self.under_way.plan
    }

    /// All that is possible now.
    #[must_use]
    pub fn all(&self) -> Vec<ActForm> {
        let (state, every) = (self.plan().state, self.every);
        let goes_on = matches!(state, TreatmentState::Accepted | TreatmentState::Running);
        let works = (every || goes_on) && may::<RecordWork>(self.powers);
        let decides = may::<Survey>(self.powers);
        let coated = every || !self.under_way.coats.is_empty();
        let mut forms = Vec::new();
        if decides && (every || state == TreatmentState::Planned) {
            forms.push(self.acceptance());
        }
        if works {
            forms.push(self.wash());
        }
        if (every || state != TreatmentState::Closed) && may::<RecordReadings>(self.powers) {
            forms.push(self.climate());
        }
        if works {
            forms.extend(self.step_done());
            if coated {
                forms.push(self.on_a_coat("blush_wash", "The blush was washed off", Work::WashDown));
                forms.push(self.on_a_coat("abrasion", "A coat was abraded", Work::Grinding));
            }
            if every || state == TreatmentState::Running {
                forms.extend(self.coat());
            }
            if coated {
                forms.push(self.film());
            }
        }
        if decides && (every || goes_on) {
            forms.extend(self.override_hold());
        }
        if works {
            forms.extend(self.withdrawal());
            if every || self.plan().next.iter().all(|next| next.step.is_none()) {
                forms.push(self.closing());
            }
        }
        forms
    }

    fn form(
        &self,
        act: &'static str,
        title: &str,
        door: &str,
        button: &'static str,
        fields: Vec<Field>,
    ) -> ActForm {
        ActForm::new(act, title, format!("/treatments/{}/{door}", self.plan().id), button, fields)
    }

    fn happened_at(&self) -> Field {
        let label = format!("When (clock of {})", self.local.zone_name());
        Field::new("happened_at", &label, Kind::Time).needed().holding(self.local.typed(self.local.now))
    }

    fn by(&self) -> Field {
        Field::new("person_name", "Who did it", Kind::Text).holding(&self.person)
    }

    fn decided_by(&self) -> [Field; 2] {
        [
            Field::new("person_name", "Who decides", Kind::Text).needed().holding(&self.person),
            Field::new("qualification", "What makes that person qualified", Kind::Text).needed(),
        ]
    }

    fn zones(&self) -> Field {
        let zones = self.plan().fields.zones.iter().map(|zone| (word(&zone.zone), word(&zone.zone)));
        Field::new("zone", "Zone, if not all", Kind::Choice(zones.collect()))
    }

    fn wash(&self) -> ActForm {
        let fields = vec![
            Field::unseen("id", fresh_id()),
            self.zones(),
            self.happened_at(),
            self.by(),
            Field::new("note", "How, with what", Kind::Long),
        ];
        let mut form = self.form("wash", "The laminate was washed", "work", "Enter the wash", fields);
        form.cautions = vec![Work::WashDown.caution()];
        form
    }

    fn on_a_coat(&self, act: &'static str, title: &str, work: Work) -> ActForm {
        let note = if act == "abrasion" { "With what, and the grit" } else { "How, with what" };
        let fields = vec![
            Field::unseen("id", fresh_id()),
            self.zones(),
            self.happened_at(),
            self.by(),
            Field::new("note", note, Kind::Long),
        ];
        let mut form = self.form(act, title, "work", "Enter it", fields);
        form.cautions = vec![work.caution()];
        form
    }

    /// The steps that are not done, those whose turn it is first.
    fn to_do(&self) -> Vec<(StepKind, Zone)> {
        let of = |state: StepState| {
            self.plan()
                .progress
                .iter()
                .filter(move |step| step.state == state)
                .map(|step| (step.step, step.zone))
        };
        of(StepState::Open).chain(of(StepState::Waiting)).collect()
    }

    fn step_done(&self) -> Option<ActForm> {
        let to_do = self.to_do();
        let first = to_do.first();
        if first.is_none() && !self.every {
            return None;
        }
        let choices = to_do.iter().map(|(step, zone)| at(*step, *zone)).collect();
        let fields = vec![
            Field::unseen("id", fresh_id()),
            Field::new("at", "Which step", Kind::Choice(choices))
                .needed()
                .holding(first.map_or_else(String::new, |(step, zone)| at(*step, *zone).0)),
            self.happened_at(),
            self.by(),
            Field::new("note", "What was done: depth, grit, method, result", Kind::Long),
        ];
        let mut form = self.form("step_done", "Step done", "work", "Enter that it is done", fields);
        form.cautions = first
            .map(|(step, _)| step.works().iter().map(|work| work.caution()).collect())
            .unwrap_or_default();
        Some(form)
    }

    fn climate(&self) -> ActForm {
        let fields = vec![
            Field::new("measured_at", &format!("When (clock of {})", self.local.zone_name()), Kind::Time)
                .needed()
                .holding(self.local.typed(self.local.now)),
            Field::new("air_temperature_c", "Air", Kind::Number).measured_in("°C").needed(),
            Field::new("relative_humidity_pct", "Relative humidity", Kind::Number).measured_in("%").needed(),
            Field::new("surface_temperature_c", "Surface of the hull", Kind::Number)
                .measured_in("°C")
                .needed(),
        ];
        self.form("climate", "Air and hull were measured", "climate", "Enter the climate", fields)
    }

    fn coat(&self) -> Option<ActForm> {
        let to_do: Vec<(StepKind, Zone)> =
            self.to_do().into_iter().filter(|(step, _)| step.role().is_some()).collect();
        let (step, zone) = *to_do.first()?;
        let planned = self.plan().fields.steps.iter().find(|own| own.step == step);
        let product = planned.and_then(|step| step.product_id).map_or_else(String::new, |id| id.to_string());
        let roles: Vec<CoatRole> = to_do.iter().filter_map(|(step, _)| step.role()).collect();
        let products = self.products.iter().filter(|product| roles.contains(&product.fields.role));
        let products =
            products.map(|product| (product.id.to_string(), product.fields.name.clone())).collect();
        let area = self.plan().fields.zones.iter().find(|own| own.zone == zone).and_then(|own| own.area_m2);
        let label = |what: &str| format!("{what} (clock of {})", self.local.zone_name());
        let fields = vec![
            Field::unseen("id", fresh_id()),
            Field::new(
                "at",
                "For which step",
                Kind::Choice(to_do.iter().map(|(step, zone)| at(*step, *zone)).collect()),
            )
            .needed()
            .holding(at(step, zone).0),
            Field::new("product_id", "Product", Kind::Choice(products))
                .needed()
                .holding(product)
                .lacking(ADD_A_PRODUCT),
            Field::new("batch_number", "Batch number", Kind::Text),
            Field::new("colour", "Colour: alternate them, so that a miss shows", Kind::Text),
            Field::new("started_at", &label("Begun"), Kind::Time).needed(),
            Field::new("finished_at", &label("Ended"), Kind::Time)
                .needed()
                .holding(self.local.typed(self.local.now)),
            Field::new("litres", "Used, mixed and unthinned", Kind::Number).measured_in("litres"),
            Field::new("area_m2", "On what area", Kind::Number)
                .measured_in("m²")
                .holding(area.map_or_else(String::new, number)),
            Field::new("wet_film_um", "Wet film by the comb", Kind::Number).measured_in("µm"),
            Field::new("note", "Anything else", Kind::Long),
        ];
        let mut form = self.form("coat", "A coat was put on", "work", "Record the coat", fields);
        form.cautions = vec![Work::EpoxyCoating.caution()];
        if roles.contains(&CoatRole::Antifouling) {
            form.cautions.push(Work::Antifouling.caution());
        }
        Some(form)
    }

    fn film(&self) -> ActForm {
        let coats = self.under_way.coats.iter().enumerate().map(|(n, coat)| {
            let judged = match coat.film.as_ref().map(|film| film.accepted) {
                Some(true) => "film accepted",
                Some(false) => "film not accepted",
                None => "no film yet",
            };
            let words = format!(
                "Coat {}: {} on the {}, {judged}",
                n + 1,
                word(&coat.fields.role),
                word(&coat.fields.zone)
            );
            (coat.id.to_string(), words)
        });
        let waiting =
            self.under_way.coats.iter().find(|coat| !coat.film.as_ref().is_some_and(|film| film.accepted));
        let nominal =
            waiting.and_then(|coat| coat.fields.dry_film_um.or(coat.sheet.as_ref()?.min_dry_film_um));
        let fields = vec![
            Field::unseen("id", fresh_id()),
            Field::new("coat", "Which coat", Kind::Choice(coats.collect()))
                .needed()
                .holding(waiting.map_or_else(String::new, |coat| coat.id.to_string())),
            Field::new(
                "method",
                "How",
                Kind::Choice(vec![
                    choice("ultrasonic", "ultrasonic gauge, dry film"),
                    choice("wet_film", "comb, wet film"),
                    choice("litres_used", "from litres and area"),
                    choice("destructive", "a cut under a glass"),
                ]),
            )
            .needed(),
            Field::new(
                "rule",
                "By which rule",
                Kind::Choice(vec![
                    choice("iso-19840", "ISO 19840"),
                    choice("pa-2", "SSPC-PA 2"),
                    choice("pspc-90-10", "IMO MSC.215(82), 90/10"),
                ]),
            )
            .needed()
            .holding("iso-19840"),
            Field::new("nominal_um", "Nominal dry film", Kind::Number)
                .measured_in("µm")
                .needed()
                .holding(nominal.map_or_else(String::new, number)),
            Field::new("readings_um", "Readings, with spaces between them", Kind::Numbers).measured_in("µm"),
            Field::new("measured_at", &format!("When (clock of {})", self.local.zone_name()), Kind::Time)
                .needed()
                .holding(self.local.typed(self.local.now)),
            Field::new("note", "Anything else", Kind::Long),
        ];
        let mut form = self.form("film", "A film was measured", "work", "Record the film", fields);
        "Magnetic and eddy-current gauges do not read on fibreglass.".clone_into(&mut form.about);
        form
    }

    fn acceptance(&self) -> ActForm {
        let [name, qualification] = self.decided_by();
        let fields = vec![
            Field::unseen("id", fresh_id()),
            name,
            qualification,
            self.happened_at(),
            Field::new("note", "Anything to say with it", Kind::Long),
        ];
        let mut form =
            self.form("acceptance", "Accept the plan", "decisions", "Accept the plan as it stands", fields);
        form.about = format!(
            "Version {} of the plan is accepted: a later change of it asks for another acceptance.",
            self.plan().version
        );
        form.cautions = cautions([]);
        form
    }

    fn override_hold(&self) -> Option<ActForm> {
        let mut holds: Vec<(String, String)> = Vec::new();
        for hold in self.plan().next.iter().flat_map(|next| &next.holds) {
            let code = format!("{} {} {}", hold.code, word(&hold.step).replace(' ', "_"), word(&hold.zone));
            if holds.iter().all(|(other, _)| *other != code) {
                let words = format!(
                    "{}: before {} on the {}",
                    headed(&hold.code),
                    word(&hold.step),
                    word(&hold.zone)
                );
                holds.push((code, words));
            }
        }
        if holds.is_empty() && !self.every {
            return None;
        }
        let first = holds.first().map_or_else(String::new, |(code, _)| code.clone());
        let [name, qualification] = self.decided_by();
        let fields = vec![
            Field::unseen("id", fresh_id()),
            Field::new("of_hold", "Which hold", Kind::Choice(holds)).needed().holding(first),
            Field::new("note", "The reason", Kind::Long).needed(),
            name,
            qualification,
            self.happened_at(),
        ];
        let mut form = self.form("override", "Go on over a hold", "decisions", "Override this hold", fields);
        "For a named, qualified person. It stays visible for ever, with the reason."
            .clone_into(&mut form.about);
        form.cautions = cautions([]);
        Some(form)
    }

    fn withdrawal(&self) -> Option<ActForm> {
        let open = |entry: &&crate::features::treatments::model::entry::Entry| {
            !entry.withdrawn
                && !matches!(
                    entry.fields.kind,
                    EntryKind::Override | EntryKind::Withdrawal | EntryKind::Closing
                )
        };
        let entries: Vec<(String, String)> = self
            .plan()
            .entries
            .iter()
            .rev()
            .filter(open)
            .map(|entry| {
                let step = entry.fields.step.map_or_else(String::new, |step| format!(", {}", word(&step)));
                (
                    entry.id.to_string(),
                    format!(
                        "{}{step}, {}",
                        headed(&entry.fields.kind),
                        self.local.time(entry.fields.happened_at)
                    ),
                )
            })
            .collect();
        if entries.is_empty() && !self.every {
            return None;
        }
        let fields = vec![
            Field::unseen("id", fresh_id()),
            Field::new("of_entry_id", "Which entry", Kind::Choice(entries)).needed(),
            Field::new("note", "Why it was wrong", Kind::Long).needed(),
            self.happened_at(),
            self.by(),
        ];
        let mut form = self.form("withdrawal", "An entry was made in error", "work", "Withdraw it", fields);
        "It stays visible, struck out, and counts for nothing.".clone_into(&mut form.about);
        Some(form)
    }

    fn closing(&self) -> ActForm {
        let fields = vec![
            Field::new(
                "launch_at",
                &format!("Since when the hull may go afloat (clock of {})", self.local.zone_name()),
                Kind::Time,
            )
            .needed()
            .holding(self.local.typed(self.local.now)),
            Field::new("person_name", "Who closes it", Kind::Text).needed().holding(&self.person),
            Field::new("laminate_removed_mm", "Laminate taken off, of a curative treatment", Kind::Number)
                .measured_in("mm"),
            Field::new("note", "Anything else", Kind::Long),
        ];
        let mut form = self.form("closing", "Close the treatment", "work", "Close it", fields);
        "Films accepted, coats cured for immersion. The dates of the vessel are then computed again."
            .clone_into(&mut form.about);
        form.cautions = vec![Work::Lifting.caution()];
        form
    }
}
