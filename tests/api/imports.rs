//! `/v1/imports`

use garboard::db::Actor;
use garboard::error::Code;
use garboard::features::imports::model::kinds::ImportKind;
use garboard::features::imports::{Options, run};
use serde_json::{Value, json};

use crate::support::app::{Answer, Client, TestApp};

const VESSELS: &str = "ref,name,form,length_m\nA,First Hull,fin_keel,10.5\nB,Second Hull,motor,8\n";

fn import(client: &Client, path: &str, file: impl Into<Vec<u8>>) -> Answer {
    let request = client.request("POST", &format!("/v1/imports/{path}")).header("Content-Type", "text/csv");
    client.send(request.body(file.into()))
}

#[track_caller]
fn counts(answer: &Answer) -> [u64; 5] {
    ["rows", "created", "updated", "unchanged", "refused"]
        .map(|name| answer.json[name].as_u64().unwrap_or_else(|| unreachable!("{}", answer.text)))
}

/// All records of a list of one page.
fn all(client: &Client, path: &str) -> Vec<Value> {
    client.get(path).expect(200).json["items"].as_array().cloned().unwrap_or_default()
}

fn by_ref(client: &Client, path: &str, reference: &str) -> Value {
    let found = all(client, path).into_iter().find(|item| item["ref"] == reference);
    found.unwrap_or_else(|| unreachable!("nothing with the reference {reference}"))
}

#[test]
fn vessels_come_in_once_however_often_the_file_is_sent() {
    let app = TestApp::start();
    let lead = app.lead();
    let site = json!({"ref": "S1", "name": "North basin", "time_zone": "UTC", "climate": "temperate_sea"});
    let site = lead.post("/v1/sites", &site).expect(201).id();
    let file = "\u{feff}Ref; NAME ;form;length_m;displacement_kg;hull_id_number;launched_on;site_ref;site_name;owner_phone;bottom_laminate_thickness_mm;bottom_cored;keel_cored\r\n\
        A;\"First; Hull\";fin_keel;10,5;5200,5;xxabc12345d626;2006-05-20;S1;;'+351 900;9,5;;yes\r\n\
        \r\n\
        B;Second Hull;Motor;8;;;;;North basin;;;;\r\n";
    let made = import(&lead, "vessels", file).expect(200);
    assert_eq!(counts(&made), [2, 2, 0, 0, 0]);
    assert_eq!((&made.json["kind"], &made.json["committed"]), (&json!("vessels"), &json!(true)));
    let first = by_ref(&lead, "/v1/vessels", "A");
    let expected = json!({"name": "First; Hull", "length_m": 10.5, "displacement_kg": 5200.5,
        "hull_id_number": "XX-ABC12345D626", "launched_on": "2006-05-20", "site_id": site, "owner_phone": "+351 900",
        "zones": [{"zone": "bottom", "laminate_thickness_mm": 9.5, "cored": false, "gelcoat_thickness_um": null},
                  {"zone": "keel", "laminate_thickness_mm": null, "cored": true, "gelcoat_thickness_um": null}]});
    for (field, value) in expected.as_object().into_iter().flatten() {
        assert_eq!(&first[field], value, "{field}");
    }
    assert_eq!(by_ref(&lead, "/v1/vessels", "B")["site_id"], json!(site));
    let again = import(&lead, "vessels", file).expect(200);
    assert_eq!(counts(&again), [2, 0, 0, 2, 0]);
    assert_eq!(by_ref(&lead, "/v1/vessels", "A")["version"], 1);
    assert!(all(&app.stranger(), "/v1/vessels").is_empty());
    let acts = all(&app.administrator(), "/v1/audit?limit=200");
    let imports: Vec<&Value> = acts.iter().filter(|act| act["action"] == "import_file").collect();
    assert_eq!(imports.len(), 1, "the second import did nothing");
    assert_eq!(imports[0]["after"]["created"], 2);
    assert_eq!(acts.iter().filter(|act| act["action"] == "create_vessel").count(), 2);
}

#[test]
fn other_values_are_an_error_or_an_update() {
    let app = TestApp::start();
    let lead = app.lead();
    import(&lead, "vessels", VESSELS).expect(200);
    let file = "ref,name,form,length_m,berth\nA,First Hull,fin_keel,11,\nB,Second Hull,motor,8,B 2\n";
    let refused = import(&lead, "vessels", file);
    let refused = refused.expect_problem(422, "invalid", "line 2, column length_m");
    assert_eq!(refused.pointers(), ["line 2, column length_m", "line 3, column berth"]);
    assert_eq!(refused.json["errors"][0]["code"], "differs");
    let detail = refused.json["errors"][0]["detail"].as_str().unwrap();
    assert!(detail.contains("`11`") && detail.contains("`10.5`") && detail.contains("update"), "{detail}");
    assert_eq!(counts(&import(&lead, "vessels?update=true", file).expect(200)), [2, 0, 2, 0, 0]);
    assert_eq!(by_ref(&lead, "/v1/vessels", "A")["length_m"], 11.0);
    // An empty cell leaves alone, `null` clears.
    let file = "ref,name,form,length_m,berth\nB,,,,\n";
    assert_eq!(counts(&import(&lead, "vessels?update=true", file).expect(200)), [1, 0, 0, 1, 0]);
    let file = "ref,name,form,length_m,berth\nB,,,,null\n";
    import(&lead, "vessels", file).expect_problem(422, "invalid", "line 2, column berth");
    assert_eq!(counts(&import(&lead, "vessels?update=true", file).expect(200)), [1, 0, 1, 0, 0]);
    assert_eq!(by_ref(&lead, "/v1/vessels", "B")["berth"], Value::Null);
    let file = "ref,name,form,length_m\nB,null,motor,8\n";
    import(&lead, "vessels?update=true", file).expect_problem(422, "invalid", "line 2, column name");
}

#[test]
fn rows_are_refused_in_the_words_of_the_api() {
    let app = TestApp::start();
    let lead = app.lead();
    let file = "ref,name,form,length_m,lwl_m,sling_forward_m,sling_aft_m,hull_id_number,keel_laminate_thickness_mm,site_ref,note\n\
        A,Good,fin_keel,10,,,,,,,\n\
        B,,fin_keel,10,,,,,,,\n\
        C,x,fin_keel,1,,,,,,,\n\
        D,x,fin_keel,10,12,5,4,,,,\n\
        E,x,fin_keel,10,,,,XX-ABC,,,\n\
        F,x,fin_keel,10,,,,,900,,\n\
        G,x,fin_keel,10,,,,,,nowhere,\n\
        ,x,fin_keel,10,,,,,,,\n\
        H,x,fin_keel,ten,,,,,,,\n\
        I,x,fin_keel\n\
        A,Again,fin_keel,10,,,,,,,\n\
        =cmd,x,fin_keel,10,,,,,,,\n";
    let refused = import(&lead, "vessels", file).expect_problem(422, "invalid", "");
    assert_eq!(
        refused.pointers(),
        [
            "line 3, column name",
            "line 4, column length_m",
            "line 5, column lwl_m",
            "line 5, column sling_aft_m",
            "line 6, column hull_id_number",
            "line 7, column keel_laminate_thickness_mm",
            "line 8, column site_ref",
            "line 9, column ref",
            "line 10, column length_m",
            "line 11",
            "line 12, column ref",
        ]
    );
    assert!(refused.json["detail"].as_str().unwrap().starts_with("10 of 12 rows are refused"));
    // The same field, the same words, by the API.
    let by_api =
        lead.post("/v1/vessels", &json!({"name": "x", "form": "fin_keel", "length_m": 10, "lwl_m": 12}));
    let told = refused.json["errors"][2]["detail"].as_str().unwrap();
    assert_eq!(told.strip_prefix("`12` "), by_api.json["errors"][0]["detail"].as_str());
    assert!(all(&lead, "/v1/vessels").is_empty(), "nothing of the file is kept");
    let skipped = import(&lead, "vessels?skip_bad=true", file).expect(200);
    assert_eq!(counts(&skipped), [12, 2, 0, 0, 10]);
    let last = &skipped.json["errors"][10];
    assert_eq!((&last["line"], &last["column"], &last["value"]), (&json!(12), &json!("ref"), &json!("A")));
    assert!(last["reason"].as_str().unwrap().contains("line 2"), "both lines are named: {last}");
    assert_eq!(all(&lead, "/v1/vessels").len(), 2);
}

#[test]
fn a_dry_run_keeps_nothing() {
    let app = TestApp::start();
    let lead = app.lead();
    let tried = import(&lead, "vessels?dry_run=true", VESSELS).expect(200);
    assert_eq!(counts(&tried), [2, 2, 0, 0, 0]);
    assert_eq!((&tried.json["dry_run"], &tried.json["committed"]), (&json!(true), &json!(false)));
    let bad = format!("{VESSELS}C,,motor,8\n");
    import(&lead, "vessels?dry_run=true", bad.clone()).expect_problem(422, "invalid", "line 4, column name");
    let tried = import(&lead, "vessels?dry_run=true&skip_bad=true", bad).expect(200);
    assert_eq!(counts(&tried), [3, 2, 0, 0, 1]);
    assert!(all(&lead, "/v1/vessels").is_empty());
    let acts = all(&app.administrator(), "/v1/audit?limit=200");
    assert!(acts.iter().all(|act| act["action"] != "import_file" && act["action"] != "create_vessel"));
}

#[test]
fn haul_outs_and_coats_follow_their_vessels() {
    let app = TestApp::start();
    let lead = app.lead();
    for kind in ["vessels", "haul-outs", "readings", "coats"] {
        let template = lead.get(&format!("/v1/imports/{kind}/template")).expect(200);
        assert_eq!(template.header("content-type").as_deref(), Some("text/csv; charset=utf-8"));
        let answer = import(&lead, kind, template.text.clone());
        assert_eq!(counts(&answer.expect(200)), [1, 1, 0, 0, 0], "{kind}");
        let again = import(&lead, kind, template.text).expect(200);
        assert_eq!(counts(&again), [1, 0, 0, 1, 0], "{kind}");
    }
    let vessel = by_ref(&lead, "/v1/vessels", "V-001");
    let coat = by_ref(&lead, "/v1/coats", "C-001");
    let haul_out = by_ref(&lead, "/v1/haul-outs", "H-001");
    assert_eq!((&coat["vessel_id"], &coat["haul_out_id"]), (&vessel["id"], &haul_out["id"]));

    // Without references: by vessel and lift; a relaunch is an update, an overlap is refused.
    let file =
        "vessel_hull_id_number,lifted_on,relaunched_on,reason\nXXABC12345D626,2026-04-01,2026-04-10,repair\n";
    assert_eq!(counts(&import(&lead, "haul-outs", file).expect(200)), [1, 1, 0, 0, 0]);
    assert_eq!(counts(&import(&lead, "haul-outs", file).expect(200)), [1, 0, 0, 1, 0]);
    let file = "vessel_ref,lifted_on,relaunched_on,reason\nV-001,2026-04-01,2026-04-12,repair\nV-001,2026-04-05,2026-04-20,repair\nV-002,2026-04-05,,repair\n";
    let refused = import(&lead, "haul-outs?update=true", file).expect_problem(422, "invalid", "");
    assert_eq!(refused.pointers(), ["line 3, column lifted_on", "line 4, column vessel_ref"]);
    assert_eq!(
        counts(&import(&lead, "haul-outs?update=true&skip_bad=true", file).expect(200)),
        [3, 0, 1, 0, 2]
    );

    // A coat kept without a reference is known by vessel, day and sequence; a correction says why.
    let file =
        "vessel_ref,role,zone,applied_on,sequence,dry_film_um\nV-001,barrier,bottom,2026-03-11,1,110\n";
    assert_eq!(counts(&import(&lead, "coats", file).expect(200)), [1, 1, 0, 0, 0]);
    assert_eq!(counts(&import(&lead, "coats", file).expect(200)), [1, 0, 0, 1, 0]);
    let file = file.replace("110", "120");
    import(&lead, "coats", file.clone()).expect_problem(422, "invalid", "line 2, column dry_film_um");
    let refused = import(&lead, "coats?update=true", file.clone());
    refused.expect_problem(422, "invalid", "line 2, column correction_reason");
    let file = file
        .replace("dry_film_um\n", "dry_film_um,correction_reason\n")
        .replace("120\n", "120,gauge misread\n");
    assert_eq!(counts(&import(&lead, "coats?update=true", file.clone()).expect(200)), [1, 0, 1, 0, 0]);
    assert_eq!(counts(&import(&lead, "coats?update=true", file).expect(200)), [1, 0, 0, 1, 0]);
    // A reference that is new and the place of a coat kept without one: no second coat.
    let file = "ref,vessel_ref,role,zone,applied_on,sequence\nC-002,V-001,barrier,bottom,2026-03-11,1\n";
    import(&lead, "coats?update=true", file).expect_problem(422, "invalid", "line 2, column ref");
    let file = "vessel_ref,role,zone,applied_on,product\nV-001,barrier,bottom,2026-03-12,x\n";
    import(&lead, "coats", file).expect_problem(422, "invalid", "line 2, column ref");
    assert_eq!(all(&lead, "/v1/coats").len(), 2);
}

#[test]
fn readings_bring_their_surveys_and_stations() {
    let app = TestApp::start();
    let lead = app.lead();
    import(&lead, "vessels", VESSELS).expect(200);
    let file = "vessel_ref;survey_ref;surveyed_on;station_code;side;x_m;scale;sequence;value;taken_at;note\n\
        A;;2026-05-01;P1;port;2,5;relative;;14,5;2026-05-01T10:00:00+02:00;\n\
        A;;2026-05-01;P1;;;relative;2;15;;again\n\
        A;SV-1;2026-05-01;P2;port;;relative;;12,25;;\n\
        B;SV-2;2026-05-02;P1;starboard;;relative;;9;;\n";
    assert_eq!(counts(&import(&lead, "readings", file).expect(200)), [4, 4, 0, 0, 0]);
    assert_eq!(counts(&import(&lead, "readings", file).expect(200)), [4, 0, 0, 4, 0]);
    let surveys = all(&lead, "/v1/surveys");
    // The rows of vessel A without a reference belong to the only survey of that day, whatever their order.
    assert_eq!(surveys.len(), 2);
    let first = by_ref(&lead, "/v1/surveys", "SV-1");
    assert_eq!(first["state"], "draft");
    assert_eq!(all(&lead, "/v1/stations").len(), 3);
    let readings = all(&lead, &format!("/v1/readings?survey_id={}", first["id"].as_str().unwrap()));
    assert_eq!(readings.len(), 3);
    assert!(readings.iter().any(|r| r["value"] == 14.5 && r["taken_at"] == "2026-05-01T08:00:00Z"));
    // One act for the file.
    let acts = all(&app.administrator(), "/v1/audit?limit=200");
    assert!(acts.iter().all(|act| act["action"] != "create_reading"));

    let bad = "vessel_ref,survey_ref,surveyed_on,station_code,side,scale,sequence,value\n\
        A,SV-1,,P1,,relative,1,99\n\
        A,SV-1,,P1,starboard,relative,7,1\n\
        A,SV-1,,P9,,relative,1,1\n\
        A,SV-2,,P1,,relative,1,1\n\
        A,SV-1,2026-05-03,P1,,relative,1,1\n\
        A,SV-9,,P1,,relative,1,1\n\
        A,SV-1,,P1,,,1,1\n\
        A,SV-1,,P1,,relative,8,20000\n\
        A,,2027-01-01,P1,,relative,1,1\n\
        A,SV-1,,P2,,relative,1,12.25\n\
        A,SV-1,,P2,,relative,1,12.25\n";
    let refused = import(&lead, "readings", bad).expect_problem(422, "invalid", "");
    assert_eq!(
        refused.pointers(),
        [
            "line 2, column value",
            "line 3, column side",
            "line 4, column side",
            "line 5, column survey_ref",
            "line 6, column surveyed_on",
            "line 7, column surveyed_on",
            "line 8, column scale",
            "line 9, column value",
            "line 10, column surveyed_on",
            "line 12, column sequence",
        ]
    );
    assert_eq!(all(&lead, "/v1/stations").len(), 3);
    assert_eq!(all(&lead, "/v1/surveys").len(), 2);
}

#[test]
fn a_signed_survey_takes_no_new_readings() {
    let app = TestApp::start();
    let lead = app.lead();
    import(&lead, "vessels", VESSELS).expect(200);
    let file = "vessel_ref,surveyed_on,station_code,side,scale,value\nA,2026-05-01,P1,port,relative,14.5\n";
    import(&lead, "readings", file).expect(200);
    let survey = all(&lead, "/v1/surveys").remove(0);
    let path = format!("/v1/surveys/{}", survey["id"].as_str().unwrap());
    let etag = lead.get(&path).etag();
    let changed =
        lead.patch(&path, &etag, &json!({"bottom_examined": "whole", "blistering": "none"})).expect(200);
    lead.post_if_match(&format!("{path}/signature"), &changed.etag(), &json!(null)).expect(200);
    assert_eq!(counts(&import(&lead, "readings", file).expect(200)), [1, 0, 0, 1, 0]);
    let more = format!("{file}A,2026-05-01,P2,port,relative,13\n");
    let refused =
        import(&lead, "readings", more).expect_problem(422, "invalid", "line 3, column surveyed_on");
    assert!(refused.text.contains("correction"), "{}", refused.text);
    assert_eq!(all(&lead, "/v1/stations").len(), 1);
    // A kept reading is corrected with a reason.
    let file = "vessel_ref,surveyed_on,station_code,scale,value,correction_reason\nA,2026-05-01,P1,relative,15,misread\n";
    assert_eq!(counts(&import(&lead, "readings?update=true", file).expect(200)), [1, 0, 1, 0, 0]);
    let reading = all(&lead, "/v1/readings").remove(0);
    assert_eq!((&reading["value"], &reading["version"]), (&json!(15.0), &json!(2)));
    assert_eq!(reading["correction_reason"], "misread");
}

#[test]
fn whole_files_are_refused() {
    let app = TestApp::start();
    let lead = app.lead();
    let cases: Vec<(&[u8], u16, &str, &str)> = vec![
        (b"", 400, "malformed", "line 1"),
        (b"ref,name,form,length_m\nA,\xE9,motor,8\n", 400, "malformed", "line 2"),
        (b"ref,name,form,length_m\nA,\"x,motor,8\n", 400, "malformed", "line 2"),
        (b"ref,name;form,length_m\n", 422, "invalid", "line 1"),
        (b"ref,name,form,lenght_m\n", 422, "invalid", "line 1, column lenght_m"),
        (
            b"ref;name;form;length_m\nA;x;motor;8,5\nB;x;motor;8.5\n",
            422,
            "invalid",
            "line 3, column length_m",
        ),
    ];
    for (file, status, code, pointer) in cases {
        import(&lead, "vessels", file).expect_problem(status, code, pointer);
        import(&lead, "vessels?skip_bad=true", file).expect_problem(status, code, pointer);
    }
    let as_json = lead.post("/v1/imports/vessels", &json!([]));
    as_json.expect_problem(415, "unsupported_media_type", "");
    let latin =
        lead.request("POST", "/v1/imports/vessels").header("Content-Type", "text/csv; charset=latin1");
    lead.send(latin.body("x")).expect_problem(415, "unsupported_media_type", "");
    import(&lead, "boats", VESSELS).expect_problem(404, "not_found", "");
    lead.get("/v1/imports/boats/template").expect_problem(404, "not_found", "");
    import(&lead, "vessels?dryrun=true", VESSELS).expect_problem(422, "invalid", "dryrun");
    lead.get("/v1/imports/vessels").expect_problem(405, "method_not_allowed", "");
    import(&app.crew(), "coats", "").expect_problem(403, "forbidden", "");
    import(&app.reader(), "vessels", VESSELS).expect_problem(403, "forbidden", "");
    import(&app.anonymous(), "vessels", VESSELS).expect_problem(401, "unauthenticated", "");
    assert!(all(&lead, "/v1/vessels").is_empty());
    // A header and nothing below it is a file without rows.
    assert_eq!(counts(&import(&lead, "vessels", "ref,name,form,length_m\n").expect(200)), [0; 5]);
}

#[test]
fn a_longer_file_than_64_mib_is_refused() {
    let app = TestApp::start();
    let lead = app.lead();
    let mut file = b"ref,name,form,length_m\n".to_vec();
    file.resize(64 * 1024 * 1024 + 1, b'\n');
    // The server answers before it has read the body; a client that goes on sending may find the door closed.
    let request = lead.request("POST", "/v1/imports/vessels").header("Content-Type", "text/csv");
    if let Ok(answer) = request.body(file.clone()).send() {
        assert_eq!(answer.status().as_u16(), 413);
    }
    file.pop();
    assert_eq!(counts(&import(&lead, "vessels", file).expect(200)), [0; 5]);
}

#[test]
fn of_any_file_all_rows_are_kept_or_none() {
    let app = TestApp::start();
    let lead = app.lead();
    let good = |n: usize| format!("R{n},Hull,motor,8\n");
    let bad = [
        "X,,motor,8\n",
        "X,Hull,motor,200\n",
        "X,Hull,motor\n",
        "X,Hull,motor,8,9\n",
        "R0,Hull,motor,8\n",
        ",Hull,motor,8\n",
    ];
    let mut kept = 0;
    for (n, line) in bad.iter().enumerate() {
        for position in [0, 2, 4] {
            let mut rows: Vec<String> =
                (0..4).map(|m| good(if m == 0 { 0 } else { 100 * n + 10 * position + m })).collect();
            rows.insert(position, (*line).to_owned());
            let file = format!("ref,name,form,length_m\n{}", rows.concat());
            import(&lead, "vessels", file).expect_problem(422, "invalid", "");
            assert_eq!(all(&lead, "/v1/vessels?limit=200").len(), kept, "{line} at {position}");
        }
        let file = format!("ref,name,form,length_m\n{}{}", good(1000 + n), good(2000 + n));
        import(&lead, "vessels", file).expect(200);
        kept += 2;
        assert_eq!(all(&lead, "/v1/vessels?limit=200").len(), kept);
    }
}

fn many_readings(rows: usize) -> String {
    use std::fmt::Write;
    let mut file = "ref,vessel_ref,surveyed_on,station_code,side,scale,sequence,value\n".to_owned();
    for n in 0..rows {
        let (vessel, day, station) = (if n % 2 == 0 { "A" } else { "B" }, 1 + n / 2 % 20, n / 40 % 50);
        let (sequence, value) = (1 + n / 2000, n % 97);
        writeln!(file, "R{n},{vessel},2026-05-{day:02},P{station},port,relative,{sequence},{value}.5")
            .unwrap();
    }
    file
}

#[test]
fn twenty_thousand_readings_in_one_file() {
    let app = TestApp::start();
    let lead = app.lead();
    import(&lead, "vessels", VESSELS).expect(200);
    let file = many_readings(20_000);
    assert_eq!(counts(&import(&lead, "readings", file.clone()).expect(200)), [20_000, 20_000, 0, 0, 0]);
    assert_eq!(counts(&import(&lead, "readings", file.clone()).expect(200)), [20_000, 0, 0, 20_000, 0]);
    let refused = import(&lead, "readings", file.replace(".5\n", ".25\n"));
    let refused = refused.expect_problem(422, "invalid", "line 2, column value");
    assert_eq!(refused.pointers().len(), 1000, "a thousand are listed");
    assert!(refused.json["detail"].as_str().unwrap().starts_with("20000 of 20000"), "all are counted");
    assert_eq!(all(&lead, "/v1/surveys?limit=200").len(), 40);
    assert_eq!(all(&lead, "/v1/stations?limit=200").len(), 100);
}

#[test]
fn refused_rows_can_be_mended_and_imported() {
    let app = TestApp::start();
    let actor = app.service();
    let options = Options { skip_bad: true, refused_rows: true, ..Options::default() };
    let run = |file: &str| {
        let mut told = Vec::new();
        let report =
            run(&app.db, &actor, ImportKind::Vessels, file.as_bytes(), options, &mut |done, rows| {
                told.push((done, rows));
            });
        let report = report.expect("an import");
        assert_eq!(told.last(), Some(&(report.rows, report.rows)));
        report
    };
    let first = run("ref;name;form;length_m\nA;\"Hull; one\";motor;8,5\nB;;motor;x\n");
    assert_eq!((first.created, first.refused, first.committed), (1, 1, true));
    let refused = first.refused_csv.expect("a refused row");
    assert!(refused.starts_with("ref;name;form;length_m;refused_because\nB;;motor;x;"), "{refused}");
    let second = run(&refused.replace("B;;motor;x", "B;Hull two;motor;"));
    assert_eq!((second.created, second.refused), (0, 1));
    let refused = second.refused_csv.expect("a refused row");
    assert_eq!(refused.lines().next(), Some("ref;name;form;length_m;refused_because"));
    let third = run(&refused.replace("motor;;", "motor;9;"));
    assert_eq!((third.created, third.refused, third.refused_csv), (1, 0, None));
}

#[test]
fn two_imports_of_one_organisation_do_not_interleave() {
    let app = TestApp::start();
    let (home, away) = (app.service(), Actor { org_id: app.away.org_id, ..app.service() });
    let options = Options::default();
    let inner =
        |actor: &Actor| run(&app.db, actor, ImportKind::Vessels, VESSELS.as_bytes(), options, &mut |_, _| {});
    let mut met = Vec::new();
    // The second begins while the first is at work: from within its progress.
    let outer = run(&app.db, &home, ImportKind::Vessels, VESSELS.as_bytes(), options, &mut |done, _| {
        if done == 0 {
            met.push((inner(&home).map(|report| report.created), inner(&away).map(|report| report.created)));
        }
    });
    assert_eq!(outer.expect("the first").created, 2);
    let (same, other) = met.pop().expect("the second was tried");
    assert_eq!(same.expect_err("the same organisation").code, Code::Unavailable);
    assert_eq!(other.expect("another organisation"), 2);
    assert_eq!(inner(&home).expect("afterwards").unchanged, 2);
}

/// Not a check: the figure for the hand-over. `cargo test --release --test api -- --ignored --nocapture hundred`
#[test]
#[ignore = "a measurement, in release"]
fn a_hundred_thousand_readings_are_timed() {
    let app = TestApp::start();
    let lead = app.lead();
    import(&lead, "vessels", VESSELS).expect(200);
    let file = many_readings(100_000);
    for _ in 0..2 {
        let begun = std::time::Instant::now();
        let answer = import(&lead, "readings", file.clone()).expect(200);
        println!("{:?}: {:?} for {} bytes", counts(&answer), begun.elapsed(), file.len());
    }
}

proptest::proptest! {
    /// What an export makes harmless comes back as it was, but for the space around it.
    #[test]
    fn the_exports_apostrophe_is_taken_off(text in "[=+@\t\r-]?[a-z0-9 =']{0,8}") {
        proptest::prop_assume!(!text.starts_with('\'') && !text.trim().is_empty() && text != "null");
        let back = garboard::features::imports::model::cells::plain(&garboard::http::csv::harmless(&text)).to_owned();
        proptest::prop_assert_eq!(back.trim(), text.trim());
    }
}
