//! The pages for people, made on the server. They need nothing that the other capabilities do not give a program:
//! a page reads and writes by the same functions as the endpoints, under the same permits.
//!
//! A page's permit comes from a cookie, an endpoint's never: so no page of another origin can make a browser call
//! the API, and only the forms here need protection, which [`api::form`] gives all of them.

pub mod api;
pub mod model;

use actix_web::middleware::from_fn;
use actix_web::web::PayloadConfig;
use actix_web::{Route, web};
use utoipa_actix_web::service_config::ServiceConfig;

use crate::permissions::{
    Administer, BeOneself, GrantVessels, KeepRegister, Permission, Read, RecordReadings, RecordWork, Role,
    SetPolicy, Survey,
};
use api::{
    acts, ashore, choice, corrections, drying, due, entry, entry_new, entry_survey, exports, files, grants,
    hindcast, hull, import, learning_acts, me, members, plan_change, plan_new, policy, products, programs,
    record_acts, records, session, sign_in, sites, statistics, survey_standing, treatment, treatment_acts,
    vessel_change, webhooks,
};

/// A page, as the walk of the contract tests knows it.
pub struct PageRoute {
    /// GET or POST.
    pub method: &'static str,
    /// Its path.
    pub path: &'static str,
    /// Who may open it; none where everybody may.
    pub roles: Option<&'static [Role]>,
    route: fn() -> Route,
}

const fn open(method: &'static str, path: &'static str, route: fn() -> Route) -> PageRoute {
    PageRoute { method, path, roles: None, route }
}

const fn needs<P: Permission>(method: &'static str, path: &'static str, route: fn() -> Route) -> PageRoute {
    PageRoute { method, path, roles: Some(P::ROLES), route }
}

/// Every page there is.
pub const PAGES: &[PageRoute] = &[
    open("GET", "/", || web::get().to(sign_in::first)),
    open("GET", "/files/{digest}/{name}", || web::get().to(files::read)),
    open("GET", "/sign-in", || web::get().to(sign_in::show)),
    open("POST", "/sign-in", || web::post().to(sign_in::enter)),
    open("POST", "/sign-out", || web::post().to(sign_in::leave)),
    needs::<BeOneself>("GET", "/organisations", || web::get().to(choice::show)),
    needs::<BeOneself>("POST", "/organisations", || web::post().to(choice::choose)),
    needs::<BeOneself>("GET", "/me", || web::get().to(me::show)),
    needs::<BeOneself>("POST", "/me/letter", || web::post().to(me::letter)),
    needs::<BeOneself>("POST", "/me/calendar-feeds", || web::post().to(me::make_calendar)),
    needs::<BeOneself>("POST", "/me/calendar-feeds/{id}", || web::post().to(me::end_calendar)),
    needs::<BeOneself>("POST", "/me/password", || web::post().to(me::password)),
    needs::<BeOneself>("POST", "/me/second-factor", || web::post().to(me::second_factor)),
    needs::<BeOneself>("POST", "/me/sign-out", || web::post().to(me::sign_out_everywhere)),
    needs::<Read>("GET", "/due", || web::get().to(due::show)),
    needs::<Read>("GET", "/due.csv", || web::get().to(due::csv)),
    needs::<Read>("GET", "/due.xlsx", || web::get().to(exports::due_workbook)),
    needs::<Read>("GET", "/due.print", || web::get().to(exports::due_printed)),
    needs::<Read>("GET", "/fleet.csv", || web::get().to(exports::fleet_csv)),
    needs::<Read>("GET", "/fleet.xlsx", || web::get().to(exports::fleet_workbook)),
    needs::<Read>("GET", "/fleet.print", || web::get().to(exports::fleet_printed)),
    needs::<Read>("GET", "/vessels", || web::get().to(hull::list::show)),
    needs::<Read>("GET", "/sites", || web::get().to(sites::show)),
    needs::<KeepRegister>("GET", "/sites/new", || web::get().to(sites::show_new)),
    needs::<KeepRegister>("POST", "/sites/new", || web::post().to(sites::make)),
    needs::<KeepRegister>("GET", "/sites/{id}/change", || web::get().to(sites::show_one)),
    needs::<KeepRegister>("POST", "/sites/{id}/change", || web::post().to(sites::change)),
    needs::<Read>("GET", "/products", || web::get().to(products::show)),
    needs::<KeepRegister>("GET", "/products/new", || web::get().to(products::show_new)),
    needs::<KeepRegister>("POST", "/products/new", || web::post().to(products::make)),
    needs::<KeepRegister>("GET", "/products/{id}/change", || web::get().to(products::show_one)),
    needs::<KeepRegister>("POST", "/products/{id}/change", || web::post().to(products::change)),
    needs::<Read>("GET", "/ashore", || web::get().to(ashore::show)),
    needs::<KeepRegister>("GET", "/vessels/new", || web::get().to(vessel_change::show_new)),
    needs::<KeepRegister>("POST", "/vessels/new", || web::post().to(vessel_change::make)),
    needs::<KeepRegister>("GET", "/vessels/{id}/change", || web::get().to(vessel_change::show)),
    needs::<KeepRegister>("POST", "/vessels/{id}/change", || web::post().to(vessel_change::change)),
    needs::<Read>("GET", "/vessels/{id}/records", || web::get().to(records::show)),
    needs::<RecordWork>("POST", "/vessels/{id}/work", || web::post().to(record_acts::work)),
    needs::<RecordReadings>("POST", "/vessels/{id}/findings", || web::post().to(record_acts::find)),
    needs::<Survey>("POST", "/vessels/{id}/surveys/withdrawal", || {
        web::post().to(record_acts::withdraw_survey)
    }),
    needs::<RecordWork>("GET", "/haul-outs/{id}", || web::get().to(corrections::show_haul_out)),
    needs::<RecordWork>("POST", "/haul-outs/{id}", || web::post().to(corrections::correct_haul_out)),
    needs::<RecordWork>("GET", "/haul-outs/{id}/treatments/new", || web::get().to(plan_new::show)),
    needs::<RecordWork>("POST", "/haul-outs/{id}/treatments/new", || web::post().to(plan_new::make)),
    needs::<RecordWork>("GET", "/coats/{id}", || web::get().to(corrections::show_coat)),
    needs::<RecordWork>("POST", "/coats/{id}", || web::post().to(corrections::correct_coat)),
    needs::<RecordReadings>("GET", "/findings/{id}", || web::get().to(corrections::show_finding)),
    needs::<RecordReadings>("POST", "/findings/{id}", || web::post().to(corrections::correct_finding)),
    needs::<Read>("GET", "/vessels/{id}", || web::get().to(hull::show)),
    needs::<Read>("POST", "/vessels/{id}/what-if", || web::post().to(hull::what_if::ask)),
    needs::<Read>("GET", "/vessels/{id}/dossier", || web::get().to(hull::dossier)),
    needs::<Survey>("GET", "/vessels/{id}/surveys/new", || web::get().to(entry_new::show_new)),
    needs::<Survey>("POST", "/vessels/{id}/surveys/new", || web::post().to(entry_new::make)),
    needs::<RecordReadings>("GET", "/surveys/{id}/entry", || web::get().to(entry::show)),
    needs::<RecordReadings>("POST", "/surveys/{id}/entry", || web::post().to(entry::enter)),
    needs::<RecordReadings>("POST", "/surveys/{id}/readings", || web::post().to(entry::take)),
    needs::<RecordReadings>("POST", "/surveys/{id}/stations", || web::post().to(entry_survey::add_station)),
    needs::<RecordReadings>("POST", "/surveys/{id}/corrections", || web::post().to(entry_survey::correct)),
    needs::<Survey>("POST", "/surveys/{id}/signature", || web::post().to(entry_survey::sign)),
    needs::<Survey>("POST", "/surveys/{id}/withdrawal", || web::post().to(survey_standing::withdraw)),
    needs::<Survey>("POST", "/surveys/{id}/opening", || web::post().to(survey_standing::open_again)),
    needs::<Read>("GET", "/drying", || web::get().to(drying::show)),
    needs::<Read>("GET", "/treatments/{id}", || web::get().to(treatment::show)),
    needs::<RecordWork>("GET", "/treatments/{id}/plan", || web::get().to(plan_change::show)),
    needs::<RecordWork>("POST", "/treatments/{id}/plan", || web::post().to(plan_change::save)),
    needs::<RecordWork>("GET", "/treatments/{id}/correction", || web::get().to(corrections::show_treatment)),
    needs::<RecordWork>("POST", "/treatments/{id}/correction", || {
        web::post().to(corrections::correct_treatment)
    }),
    needs::<RecordWork>("POST", "/treatments/{id}/work", || web::post().to(treatment_acts::work)),
    needs::<RecordReadings>("POST", "/treatments/{id}/climate", || web::post().to(treatment_acts::climate)),
    needs::<Survey>("POST", "/treatments/{id}/decisions", || web::post().to(treatment_acts::decide)),
    needs::<Read>("GET", "/statistics", || web::get().to(statistics::show)),
    needs::<Read>("GET", "/statistics.csv", || web::get().to(statistics::csv)),
    needs::<SetPolicy>("POST", "/learning", || web::post().to(learning_acts::choose)),
    needs::<Administer>("POST", "/learning/settings", || web::post().to(learning_acts::set)),
    needs::<Read>("GET", "/hindcast", || web::get().to(hindcast::show)),
    needs::<Read>("GET", "/hindcast.csv", || web::get().to(hindcast::csv)),
    needs::<Administer>("GET", "/members", || web::get().to(members::show)),
    needs::<Administer>("POST", "/members/{id}", || web::post().to(members::change_member)),
    needs::<Administer>("POST", "/invitations", || web::post().to(members::invite)),
    needs::<Administer>("POST", "/invitations/{id}/withdrawal", || {
        web::post().to(members::withdraw_invitation)
    }),
    needs::<Administer>("GET", "/programs", || web::get().to(programs::show)),
    needs::<Administer>("POST", "/programs", || web::post().to(programs::make)),
    needs::<Administer>("POST", "/programs/{id}", || web::post().to(programs::change_program)),
    needs::<Read>("GET", "/policy", || web::get().to(policy::show)),
    needs::<SetPolicy>("POST", "/policy", || web::post().to(policy::set)),
    needs::<Read>("GET", "/grants", || web::get().to(grants::show)),
    needs::<GrantVessels>("POST", "/grants", || web::post().to(grants::give)),
    needs::<GrantVessels>("POST", "/grants/{id}", || web::post().to(grants::revoke)),
    needs::<GrantVessels>("POST", "/transfers", || web::post().to(grants::offer)),
    needs::<GrantVessels>("POST", "/transfers/{id}", || web::post().to(grants::settle)),
    needs::<Administer>("GET", "/webhooks", || web::get().to(webhooks::show)),
    needs::<Administer>("POST", "/webhooks", || web::post().to(webhooks::make)),
    needs::<Administer>("POST", "/webhooks/{id}", || web::post().to(webhooks::change_webhook)),
    needs::<Administer>("GET", "/audit", || web::get().to(acts::show)),
    needs::<KeepRegister>("GET", "/import", || web::get().to(import::show)),
    needs::<KeepRegister>("POST", "/import", || web::post().to(import::look)),
];

/// Registers the pages. They are no part of the API's document.
pub fn register(config: &mut ServiceConfig<'_>) {
    config.map(|config| {
        let mut paths: Vec<&str> = PAGES.iter().map(|page| page.path).collect();
        paths.dedup();
        for path in paths {
            let mut resource = web::resource(path);
            if path == "/import" {
                resource = resource.app_data(PayloadConfig::new(import::MOST_FORM_BYTES));
            }
            for page in PAGES.iter().filter(|page| page.path == path) {
                resource = resource.route((page.route)());
            }
            config.service(resource.wrap(from_fn(session::page)));
        }
        config
    });
}
