//! Hold points: each refuses, and gives way to what is missing or to a named person with a reason

use serde_json::{Value, json};

use crate::treatments::{Yard, held, made, product};

/// A preventive treatment of one barrier coat, its steps before it done on 10 June.
pub struct Barrier {
    pub yard: Yard,
    pub id: String,
    product: String,
}

impl Barrier {
    pub fn set(coats: i32, sheet: &Value) -> Self {
        let yard = Yard::set();
        let product = made(&yard.app.lead(), &product("barrier", &["barrier"], sheet));
        let steps = json!([{"step": "abrade"}, {"step": "barrier", "coats": coats, "product_id": product}]);
        let id = yard.plan(&json!({"kind": "preventive", "steps": steps}));
        yard.accept(&id);
        yard.done(&id, "abrade", "2026-06-10T07:00:00Z").expect(201);
        Self { yard, id, product }
    }

    pub fn coat(&self, fields: &Value) -> crate::support::app::Answer {
        self.yard.app.crew().post(&format!("/v1/treatments/{}/coats", self.id), &self.body(fields))
    }

    pub fn body(&self, fields: &Value) -> Value {
        let mut body = json!({"vessel_id": self.yard.vessel, "role": "barrier", "zone": "bottom", "colour": "grey",
            "product_id": self.product, "applied_on": "2026-06-11", "started_at": "2026-06-11T08:00:00Z",
            "finished_at": "2026-06-11T09:00:00Z"});
        for (name, value) in fields.as_object().expect("an object") {
            body[name] = value.clone();
        }
        body
    }

    /// The one coat is on, measured, and its step done.
    pub fn coated(&self) {
        let coat = self.coat(&json!({})).expect(201).id();
        self.yard.film(&coat, 110.0);
        self.yard.done(&self.id, "barrier", "2026-06-11T10:00:00Z").expect(201);
    }

    fn overrides(&self) -> Value {
        let plan = self.yard.app.reader().get(&format!("/v1/treatments/{}/plan", self.id)).expect(200);
        plan.json["overrides"].clone()
    }
}

#[test]
fn a_coat_says_when_it_was_put_on_or_a_named_person_answers_for_it() {
    let barrier = Barrier::set(2, &json!({}));
    barrier.yard.climate("2026-06-10T00:00:00Z", 20, 60.0);
    let untimed = json!({"started_at": null, "finished_at": null});
    assert_eq!(held(&barrier.coat(&untimed)), ["times_missing"]);
    barrier.yard.override_hold(&barrier.id, "barrier", "times_missing").expect(201);
    barrier.coat(&untimed).expect(201);
    // An override serves one coat; the next has a hold of its own, and the first stays visible with who and why.
    let codes = held(&barrier.coat(&untimed));
    assert!(codes.contains(&"times_missing".to_owned()), "{codes:?}");
    let told = barrier.overrides();
    assert_eq!(told.as_array().map(Vec::len), Some(1));
    assert_eq!(
        (&told[0]["person_name"], &told[0]["hold"], &told[0]["note"], &told[0]["withdrawn"]),
        (&json!("Person A"), &json!("times_missing"), &json!("Seen and <i>judged</i>"), &json!(false))
    );
    // Nobody takes it back.
    let withdrawal = json!({"kind": "withdrawal", "of_entry_id": told[0]["id"], "note": "gone"});
    barrier.yard.enter(&barrier.id, "2026-06-26T08:00:00Z", &withdrawal).expect_problem(
        422,
        "invalid",
        "/of_entry_id",
    );
    let record = barrier.yard.app.reader().get(&format!("/v1/treatments/{}/record", barrier.id)).expect(200);
    assert_eq!(record.json["record"]["plan"]["overrides"], told);
    let page =
        barrier.yard.app.reader().get(&format!("/v1/treatments/{}/record-page", barrier.id)).expect(200);
    assert!(page.text.contains("times_missing".replace('_', " ").as_str()) && page.text.contains("Person A"));
}

#[test]
fn an_overcoating_window_nobody_knows_holds_until_it_is_abraded() {
    // No line of the sheet speaks of a barrier over it.
    let barrier = Barrier::set(2, &json!({"overcoating": []}));
    barrier.yard.climate("2026-06-10T00:00:00Z", 20, 60.0);
    barrier.coat(&json!({})).expect(201);
    let next = json!({"applied_on": "2026-06-12", "colour": "white", "started_at": "2026-06-12T08:00:00Z",
        "finished_at": "2026-06-12T09:00:00Z"});
    assert_eq!(held(&barrier.coat(&next)), ["overcoating_unknown"]);
    barrier
        .yard
        .enter(&barrier.id, "2026-06-12T07:00:00Z", &json!({"kind": "abrasion", "note": "80 grit"}))
        .expect(201);
    barrier.coat(&next).expect(201);
    // A coat without a product tells no window either.
    let barrier = Barrier::set(2, &json!({}));
    barrier.yard.climate("2026-06-10T00:00:00Z", 20, 60.0);
    let unnamed = barrier.coat(&json!({"product_id": null})).expect(201);
    assert_eq!(held(&barrier.coat(&next)), ["overcoating_unknown"]);
    // As the hold says: name the product of the coat below. The next is then 23 hours after it, within 4 to 48.
    let named = json!({"product_id": barrier.product, "correction_reason": "left out"});
    let crew = barrier.yard.app.crew();
    crew.patch(&format!("/v1/coats/{}", unnamed.id()), &unnamed.etag(), &named).expect(200);
    barrier.coat(&next).expect(201);
}

#[test]
fn the_climate_is_held_against_the_limits_over_the_cure_too() {
    // Logged while it went on, unknown for the day of its cure.
    let barrier = Barrier::set(1, &json!({}));
    barrier.yard.climate("2026-06-10T18:00:00Z", 1, 60.0);
    barrier.coated();
    let early = held(&barrier.yard.close(&barrier.id, "2026-06-20T10:00:00Z"));
    assert!(early.contains(&"cure_climate_not_known".to_owned()), "{early:?}");
    assert!(
        early.contains(&"immersion_not_known".to_owned()),
        "the times to immersion need the hull's temperature: {early:?}"
    );
    barrier.yard.climate("2026-06-11T20:00:00Z", 10, 60.0);
    barrier.yard.close(&barrier.id, "2026-06-20T10:00:00Z").expect(200);

    // Fit to coat in, too humid overnight.
    let barrier = Barrier::set(1, &json!({}));
    barrier.yard.climate("2026-06-10T12:00:00Z", 1, 60.0);
    barrier.yard.climate("2026-06-11T14:00:00Z", 10, 95.0);
    barrier.coated();
    assert_eq!(held(&barrier.yard.close(&barrier.id, "2026-06-20T10:00:00Z")), ["cure_climate_not_allowed"]);
    barrier.yard.override_hold(&barrier.id, "barrier", "cure_climate_not_allowed").expect(201);
    barrier.yard.close(&barrier.id, "2026-06-20T10:00:00Z").expect(200);
    assert_eq!(barrier.overrides().as_array().map(Vec::len), Some(1));
}

#[test]
fn a_sheet_without_times_to_immersion_holds_the_launch() {
    let barrier = Barrier::set(1, &json!({"cure": []}));
    barrier.yard.climate("2026-06-10T00:00:00Z", 15, 60.0);
    barrier.coated();
    assert_eq!(held(&barrier.yard.close(&barrier.id, "2026-06-20T10:00:00Z")), ["cure_unknown"]);
    barrier.yard.override_hold(&barrier.id, "barrier", "cure_unknown").expect(201);
    barrier.yard.close(&barrier.id, "2026-06-20T10:00:00Z").expect(200);
}

#[test]
fn a_film_is_accepted_before_launch_or_measured_again() {
    let barrier = Barrier::set(1, &json!({}));
    barrier.yard.climate("2026-06-10T00:00:00Z", 20, 60.0);
    let coat = barrier.coat(&json!({})).expect(201).id();
    barrier.yard.done(&barrier.id, "barrier", "2026-06-11T10:00:00Z").expect(201);
    let close = || barrier.yard.close(&barrier.id, "2026-06-25T10:00:00Z");
    assert_eq!(held(&close()), ["film_not_accepted"], "none was measured");
    let thin = barrier.yard.film(&coat, 60.0);
    assert_eq!(held(&close()), ["film_not_accepted"], "it is too thin");
    let again = json!({"method": "ultrasonic", "rule": "iso-19840", "nominal_um": 100, "readings_um": [110, 112],
        "measured_at": "2026-06-24T10:00:00Z", "supersedes_id": thin.id()});
    barrier.yard.app.crew().post(&format!("/v1/coats/{coat}/films"), &again).expect(201);
    close().expect(200);
}

/// What comes next is one answer a zone, from the plan to the closing.
#[test]
fn what_comes_next_is_one_plain_answer() {
    let yard = Yard::set();
    let barrier = made(&yard.app.lead(), &product("barrier", &["barrier"], &json!({})));
    let steps = json!([{"step": "abrade"}, {"step": "barrier", "coats": 1, "product_id": barrier}]);
    let id = yard.plan(&json!({"kind": "preventive", "steps": steps}));
    let next =
        || yard.app.reader().get(&format!("/v1/treatments/{id}/plan")).expect(200).json["next"].clone();
    let answer = |next: &Value| (next[0]["step"].clone(), next[0]["answer"].clone());
    assert_eq!(answer(&next()), (json!("abrade"), json!("accept")));
    yard.accept(&id);
    assert_eq!(answer(&next()), (json!("abrade"), json!("go")));
    yard.done(&id, "abrade", "2026-07-29T08:00:00Z").expect(201);
    let told = next();
    assert_eq!(
        (answer(&told), &told[0]["holds"][0]["code"]),
        ((json!("barrier"), json!("wait")), &json!("climate_not_known"))
    );
    // The clock of the test stands at 10:00 on 30 July.
    yard.climate("2026-07-29T08:00:00Z", 1, 60.0);
    let told = next();
    assert_eq!(answer(&told), (json!("barrier"), json!("go")), "{told}");
    assert!(told[0]["detail"].as_str().expect("a detail").contains("coat 1 of 1"), "{told}");
    yard.climate("2026-07-30T09:00:00Z", 0, 95.0);
    let told = next();
    assert_eq!(
        (answer(&told), &told[0]["holds"][0]["code"]),
        ((json!("barrier"), json!("wait")), &json!("climate_not_allowed"))
    );
    let coat = yard.coat(&id, &barrier, "barrier", "2026-07-29T10:00:00Z", "grey").expect(201).id();
    assert!(next()[0]["detail"].as_str().expect("a detail").contains("enter step_done"));
    yard.done(&id, "barrier", "2026-07-29T12:00:00Z").expect(201);
    let told = next();
    assert_eq!(
        (&told[0]["step"], &told[0]["answer"]),
        (&Value::Null, &json!("wait")),
        "its film is not measured: {told}"
    );
    let codes =
        told[0]["holds"].as_array().expect("holds").iter().map(|hold| &hold["code"]).collect::<Vec<_>>();
    assert!(codes.contains(&&json!("film_not_accepted")), "{codes:?}");
    assert!(!coat.is_empty());
}

/// Girths give the area: a half cylinder of radius 1 m and 8 m length has pi times 8 square metres, a girth of pi
/// everywhere (by arithmetic; Simpson's rule is exact for it).
#[test]
fn girths_give_the_litres() {
    let yard = Yard::set();
    let barrier = made(&yard.app.lead(), &product("barrier", &["barrier"], &json!({})));
    let girths: Vec<Value> = [0.0, 2.0, 4.0, 6.0, 8.0]
        .iter()
        .map(|x| json!({"x_m": x, "girth_m": std::f64::consts::PI}))
        .collect();
    let steps = json!([{"step": "abrade"}, {"step": "barrier", "coats": 2, "product_id": barrier, "dry_film_um": 125}]);
    let path = format!("/v1/haul-outs/{}/treatments", yard.haul_out);
    let plan = |girths: &[Value]| json!({"kind": "preventive", "loss_fraction": 0, "steps": steps, "zones": [{"zone": "bottom", "girths": girths}]});
    let few = yard.app.crew().post(&path, &plan(&girths[..2])).expect(422);
    assert!(few.pointers().iter().any(|at| at.starts_with("/zones/0/girths")), "{}", few.text);
    let mut turned = girths.clone();
    turned.swap(0, 3);
    let turned = yard.app.crew().post(&path, &plan(&turned)).expect(422);
    assert!(turned.pointers().iter().any(|at| at.starts_with("/zones/0/girths/")), "{}", turned.text);
    let id = yard.app.crew().post(&path, &plan(&girths)).expect(201).id();
    let told = yard.app.reader().get(&format!("/v1/treatments/{id}/quantities")).expect(200);
    let line = &told.json["lines"][0];
    let near = |name: &str, wanted: f64| {
        let got = line[name].as_f64().expect("a number");
        assert!((got - wanted).abs() < 1e-9, "{name}: {got} instead of {wanted}");
    };
    assert_eq!(line["area_source"], "girths");
    let area_m2 = 8.0 * std::f64::consts::PI;
    near("area_m2", area_m2);
    // 125 µm dry of half solids are 250 µm wet: 4 m² a litre, two coats.
    near("litres", area_m2 / 2.0);

    // In the next haul-out the hull is the same: its girths count until others are entered, and the answer says so.
    let lead = yard.app.lead();
    let lift = format!("/v1/haul-outs/{}", yard.haul_out);
    let own = lead.get(&lift).expect(200);
    lead.patch(&lift, &own.etag(), &json!({"relaunched_on": "2026-06-20"})).expect(200);
    let lift = json!({"vessel_id": yard.vessel, "lifted_on": "2026-07-01", "reason": "barrier"});
    let again = lead.post("/v1/haul-outs", &lift).expect(201).id();
    let zones = json!([{"zone": "bottom"}, {"zone": "keel"}]);
    let bare = json!({"kind": "preventive", "loss_fraction": 0, "steps": steps, "zones": zones});
    let second = yard.app.crew().post(&format!("/v1/haul-outs/{again}/treatments"), &bare).expect(201);
    let lines = || {
        let told = yard.app.reader().get(&format!("/v1/treatments/{}/quantities", second.id())).expect(200);
        told.json["lines"].clone()
    };
    let told = lines();
    assert_eq!((&told[0]["area_source"], &told[0]["girths_of"]), (&json!("earlier_girths"), &json!(id)));
    assert!((told[0]["area_m2"].as_f64().expect("an area") - area_m2).abs() < 1e-9, "{told}");
    assert_eq!(
        (&told[1]["area_m2"], &told[1]["girths_of"]),
        (&Value::Null, &Value::Null),
        "no girth of the keel"
    );
    let plan = format!("/v1/treatments/{}/plan", second.id());
    let entered = json!({"zones": [{"zone": "bottom", "area_m2": 20}]});
    yard.app.crew().patch(&plan, &second.etag(), &entered).expect(200);
    assert_eq!(lines()[0]["area_source"], "entered");
}

/// A film accepted against less than the plan asks for is not the film that the plan asks for.
#[test]
fn a_film_is_judged_against_what_the_plan_asks_for() {
    let yard = Yard::set();
    let barrier = made(&yard.app.lead(), &product("barrier", &["barrier"], &json!({})));
    let steps = json!([{"step": "abrade"}, {"step": "barrier", "coats": 1, "product_id": barrier, "dry_film_um": 150}]);
    let id = yard.plan(&json!({"kind": "preventive", "steps": steps}));
    yard.accept(&id);
    yard.done(&id, "abrade", "2026-06-10T07:00:00Z").expect(201);
    yard.climate("2026-06-10T00:00:00Z", 20, 60.0);
    let coat = yard.coat(&id, &barrier, "barrier", "2026-06-11T08:00:00Z", "grey").expect(201).id();
    yard.done(&id, "barrier", "2026-06-11T10:00:00Z").expect(201);
    let film = yard.film(&coat, 160.0);
    assert_eq!(film.json["accepted"], json!(true), "against 100 µm");
    let refused = yard.close(&id, "2026-06-25T10:00:00Z");
    assert_eq!(held(&refused), ["film_not_accepted"]);
    assert!(refused.text.contains("150 µm"), "{}", refused.text);
    let again = json!({"method": "ultrasonic", "rule": "iso-19840", "nominal_um": 150, "readings_um": [160, 160],
        "measured_at": "2026-06-24T10:00:00Z", "supersedes_id": film.id()});
    yard.app.crew().post(&format!("/v1/coats/{coat}/films"), &again).expect(201);
    yard.close(&id, "2026-06-25T10:00:00Z").expect(200);
}

/// What is wrong with a time, a coat or a name is told as such, not as a hold, and no way leads round the holds.
#[test]
fn bad_input_is_told_before_what_holds() {
    let barrier = Barrier::set(1, &json!({}));
    let (yard, id) = (&barrier.yard, &barrier.id);
    for (fields, pointer) in [
        (json!({"finished_at": "2026-06-11T07:00:00Z"}), "/finished_at"),
        (json!({"applied_on": "2026-06-30"}), "/started_at"),
        (json!({"applied_on": "2026-06-09", "started_at": null, "finished_at": null}), "/applied_on"),
        (json!({"zone": "keel"}), "/role"),
        (json!({"litres": 0}), "/litres"),
    ] {
        let refused = barrier.coat(&fields).expect(422);
        assert!(refused.pointers().contains(&pointer.to_owned()), "{pointer}: {}", refused.text);
    }
    let sealer = made(&yard.app.lead(), &product("sealer", &[], &json!({})));
    barrier.coat(&json!({"product_id": sealer})).expect_problem(422, "invalid", "/product_id");
    // A coat that leaves out its haul-out is one of the haul-out of its day.
    let aside =
        json!({"vessel_id": yard.vessel, "role": "barrier", "zone": "bottom", "applied_on": "2026-06-11"});
    yard.app.crew().post("/v1/coats", &aside).expect_problem(409, "treatment_runs", "");
    for at in ["2026-05-20T08:00:00Z", "2019-06-10T08:00:00Z"] {
        yard.enter(id, at, &json!({"kind": "wash"})).expect_problem(422, "invalid", "/happened_at");
    }
    yard.override_hold(id, "barrier", "no_such_hold").expect_problem(422, "invalid", "/hold");

    yard.climate("2026-06-10T00:00:00Z", 20, 60.0);
    barrier.coated();
    for at in ["2026-06-11T08:30:00Z", "0001-01-01T00:00:00Z", "2026-07-31T00:00:00Z", "9999-12-31T00:00:00Z"]
    {
        yard.close(id, at).expect_problem(422, "invalid", "/launch_at");
    }
    for what in ["closing", "coats", "decisions"] {
        let body = match what {
            "closing" => json!({"launch_at": "2026-06-25T10:00:00Z", "person_name": "Person"}),
            "coats" => aside.clone(),
            _ => {
                json!({"kind": "acceptance", "happened_at": "2026-06-25T10:00:00Z", "person_name": "P", "qualification": "Q"})
            }
        };
        let path = format!("/v1/treatments/{id}/{what}");
        yard.app.stranger().post(&path, &body).expect_problem(404, "not_found", "");
    }
    yard.close(id, "2026-06-25T10:00:00Z").expect(200);
}

#[test]
fn a_plan_without_sense_is_refused() {
    let yard = Yard::set();
    let path = format!("/v1/haul-outs/{}/treatments", yard.haul_out);
    let coats = json!([{"step": "abrade", "zones": ["keel"]}, {"step": "barrier", "coats": 1}]);
    for (fields, pointer) in [
        (json!({"kind": "preventive", "starts_on": "2026-05-31"}), "/starts_on"),
        (
            json!({"kind": "preventive", "zones": [{"zone": "keel"}, {"zone": "bottom"}], "steps": coats}),
            "/steps",
        ),
        (
            json!({"kind": "preventive", "zones": [{"zone": "keel"}, {"zone": "bottom"}],
                "steps": [{"step": "abrade", "zones": ["keel"]}, {"step": "barrier", "coats": 1, "zones": ["keel"]}]}),
            "/zones/1/zone",
        ),
        (
            json!({"kind": "preventive", "steps": [{"step": "abrade", "zones": ["bottom", "bottom"]}, {"step": "barrier", "coats": 1}]}),
            "/steps/0/zones/1",
        ),
        (
            json!({"kind": "preventive", "zones": [{"zone": "bottom", "girths": [{"x_m": 0, "girth_m": 0}, {"x_m": 1, "girth_m": 0},
                {"x_m": 2, "girth_m": 0}]}]}),
            "/zones/0/girths",
        ),
        (
            json!({"kind": "curative", "dry_target": {"scale": "relative", "target": 9, "saturated_moisture_pct": 0.5,
                "dry_moisture_pct": 0.5}}),
            "/dry_target/dry_moisture_pct",
        ),
    ] {
        let refused = yard.app.crew().post(&path, &fields).expect(422);
        assert!(refused.pointers().contains(&pointer.to_owned()), "{pointer}: {}", refused.text);
    }
}
