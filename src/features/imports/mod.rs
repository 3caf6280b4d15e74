//! Imports: whole files of vessels, haul-outs, readings and coats, as CSV, over HTTP and from the command line.
//!
//! **All or nothing.** A file is one transaction. A row that cannot be written is told with its line, column,
//! value and reason, and holds back the whole file; with `skip_bad` the other rows are kept. A dry run writes
//! and takes everything back. Two imports of one organisation never interleave: the second is asked to come
//! again. A row is read by the same rules as the body of the API's own creation and change.
//!
//! **Which record a row speaks of.** Its `ref`, unique among the records of its kind. Without one: a vessel by
//! `hull_id_number`, a haul-out by vessel and `lifted_on`, a coat by vessel, `applied_on` and `sequence`, a
//! reading by survey, station, `scale` and `sequence`; a row with neither is refused. A record that says what
//! is kept already is unchanged, so that importing a file twice changes nothing; one that says otherwise is
//! refused, or changed with `update`. Two rows of a file that speak of one record are refused, and so is a row
//! that speaks of a withdrawn one. A row with a reference that is new and the key of a record kept without a
//! reference speaks of that record.
//!
//! **What stands in a cell.** Space around it is nothing. An empty cell is not given: a new record has its
//! default there, a kept one keeps what it has. The text `null` clears what is kept (and is not given in a new
//! record). The apostrophe that our exports set before a text beginning with `=`, `+`, `-`, `@`, tab or
//! return is taken off. Dates are year-month-day (ISO 8601); times have their offset (RFC 3339); `04/05/2026`
//! is refused, because it is two days. Truth is true, false, yes or no, and words are those of the API, in
//! small letters or capitals.
//!
//! **The text.** UTF-8, with or without byte order mark; cells and quotation marks as RFC 4180 has them, read
//! strictly; lines ended by LF or CR LF; blank lines are passed over. The header tells the delimiter: comma or
//! semicolon, whichever of them stands in it outside quotation marks; both, or tabs, are refused. Its names
//! may be in capitals and have space around them; unknown, doubled, nameless and missing ones are refused. A
//! column `refused_because`, as the command line writes it beside refused rows, is passed over, and so is one
//! whose name begins with `-`. A file has at most 64 MiB.
//!
//! **The decimal mark.** One for the whole file, in the columns of numbers. A point is a decimal point, a comma
//! a decimal comma; marks of thousands are refused. A file with both is refused, because its `1.234` may be a
//! thousand. A comma can stand in a comma-delimited file only in quotation marks, and `"1,234"` may then
//! have parted thousands: it is a decimal comma only if another number of the file has a comma that cannot
//! have (`"1,5"`, `"12,25"`, `"0,250"`); if none decides it, the file is refused. In a semicolon file a comma
//! is a decimal comma. NaN and infinities are no numbers.
//!
//! **Readings** come by the hundred thousand and are written thousands at a time, under one row of the audit
//! with the file's digest. A survey that `survey_ref` or vessel and `surveyed_on` do not find is made, as a
//! draft; a station that the vessel has not, as the row places it. A survey that is signed takes no new
//! readings.
//!
//! # Columns of vessels
//!
//! | column | | cell | meaning |
//! |---|---|---|---|
//! | `ref` |  | text | your own reference, unique among the records of this kind; it tells which record a row speaks of |
//! | `name` | required | text | the vessel's name |
//! | `form` | required | `fin_keel`, `long_keel`, `motor`, `full_bodied`, `multihull` | the shape of the underwater hull |
//! | `length_m` | required | number | length of the hull, 2 to 100 m |
//! | `lwl_m` |  | number | length of the waterline, 1 to 100 m |
//! | `beam_m` |  | number | greatest beam, 0.5 to 40 m |
//! | `draft_m` |  | number | draught, 0.1 to 15 m |
//! | `displacement_kg` |  | number | displacement, 50 to 2,000,000 kg |
//! | `sling_forward_m` |  | number | where the forward sling goes, m aft from the bow |
//! | `sling_aft_m` |  | number | where the aft sling goes, m aft from the bow |
//! | `hull_id_number` |  | text | craft identification number (ISO 10087); without a reference it tells which vessel a row speaks of |
//! | `built_year` |  | whole number | year it was built, 1940 to 2199 |
//! | `launched_on` |  | date | day it first went into the water |
//! | `laminate_class` |  | orthophthalic, isophthalic, `vinylester_skin`, vinylester, epoxy | resin system of the structural laminate |
//! | `bilge` |  | dry, damp, wet | how the bilge is usually found |
//! | `ashore_from_month` |  | whole number | first month it usually stands ashore, 1 to 12 |
//! | `ashore_until_month` |  | whole number | last month it usually stands ashore, 1 to 12 |
//! | `site_ref` |  | text | reference of the site where it lies |
//! | `site_name` |  | text | name of that site, where only one has it |
//! | `berth` |  | text | the berth there |
//! | `owner_name` |  | text | the owner's name |
//! | `owner_phone` |  | text | the owner's telephone number |
//! | `owner_email` |  | text | the owner's e-mail address |
//! | `note` |  | text | anything else |
//! | `retired_on` |  | date | day it left for good |
//! | `ZONE_laminate_thickness_mm` |  | number | thickness of the structural laminate of that zone, 1 to 200 mm |
//! | `ZONE_cored` |  | true, false, yes, no | whether that zone is a sandwich; no when left out |
//! | `ZONE_gelcoat_thickness_um` |  | number | thickness of the gelcoat of that zone as built, 0 to 5000 µm |
//!
//! `ZONE` is bottom, waterline, keel, rudder or appendage. `ref` or `hull_id_number` is required.
//!
//! # Columns of haul-outs
//!
//! | column | | cell | meaning |
//! |---|---|---|---|
//! | `ref` |  | text | your own reference, unique among the records of this kind; it tells which record a row speaks of |
//! | `vessel_ref` |  | text | the vessel's reference |
//! | `vessel_hull_id_number` |  | text | the vessel's craft identification number (ISO 10087); this or the reference, or both |
//! | `lifted_on` | required | date | day of the lift; without a reference, vessel and day tell which haul-out a row speaks of |
//! | `relaunched_on` |  | date | day of the relaunch; empty while ashore |
//! | `reason` | required | inspection, antifouling, barrier, repair, treatment, seasonal, other | why it was lifted |
//! | `note` |  | text | anything else |
//!
//! `vessel_ref` or `vessel_hull_id_number` is required.
//!
//! # Columns of readings
//!
//! | column | | cell | meaning |
//! |---|---|---|---|
//! | `ref` |  | text | your own reference, unique among the records of this kind; it tells which record a row speaks of |
//! | `vessel_ref` |  | text | the vessel's reference |
//! | `vessel_hull_id_number` |  | text | the vessel's craft identification number (ISO 10087); this or the reference, or both |
//! | `survey_ref` |  | text | reference of the survey; made as a draft where there is none, and then `surveyed_on` is needed |
//! | `surveyed_on` |  | date | day of the survey; a draft is made where the vessel has none of this day |
//! | `station_code` | required | text | what the station is called on this vessel |
//! | `hull` |  | centre, port, starboard | of a station not known yet: which hull; centre when left out |
//! | `side` |  | port, starboard | of a station not known yet: which side; required for it |
//! | `zone` |  | bottom, waterline, keel, rudder, appendage | of a station not known yet: in which zone; bottom when left out |
//! | `x_m` |  | number | of a station not known yet: m aft from the forward end of the waterline |
//! | `girth_m` |  | number | of a station not known yet: m up from the centreline along the skin |
//! | `scale` |  | text | the meter's scale; the survey's `meter_scale` when left out |
//! | `sequence` |  | whole number | which reading at this station, survey and scale; 1 when left out |
//! | `value` | required | number | what the meter showed, on its scale |
//! | `taken_at` |  | time | when it was taken |
//! | `note` |  | text | anything else |
//! | `correction_reason` |  | text | with update: why a reading that is kept is corrected; required for it |
//!
//! `vessel_ref` or `vessel_hull_id_number`, and `survey_ref` or `surveyed_on`, are required.
//!
//! # Columns of coats
//!
//! | column | | cell | meaning |
//! |---|---|---|---|
//! | `ref` |  | text | your own reference, unique among the records of this kind; it tells which record a row speaks of |
//! | `vessel_ref` |  | text | the vessel's reference |
//! | `vessel_hull_id_number` |  | text | the vessel's craft identification number (ISO 10087); this or the reference, or both |
//! | `haul_out_ref` |  | text | reference of the haul-out in which it was applied |
//! | `role` | required | gelcoat, sealer, barrier, topcoat, antifouling | what the coat is for |
//! | `zone` | required | bottom, waterline, keel, rudder, appendage | the zone it covers |
//! | `applied_on` | required | date | day it was applied |
//! | `sequence` |  | whole number | its place among the coats of that day, 1 for the innermost; without a reference, vessel, day and sequence tell which coat a row speaks of |
//! | `product` |  | text | what was applied |
//! | `product_ref` |  | text | reference of the product, where its sheet is entered |
//! | `batch_number` |  | text | number of the product's batch |
//! | `litres` |  | number | how much was used, mixed and unthinned |
//! | `area_m2` |  | number | on what area, 0.01 to 2000 m² |
//! | `wet_film_um` |  | number | wet film thickness, 1 to 10000 µm |
//! | `started_at` |  | time | when its application began |
//! | `finished_at` |  | time | when its application ended |
//! | `colour` |  | text | its colour |
//! | `dry_film_um` |  | number | dry film thickness, 1 to 5000 µm |
//! | `film_measured` |  | true, false, yes, no | whether that was measured; no when left out |
//! | `permeability_kg_m_s` |  | number | water permeability from the maker's sheet, kg/(m s), concentration taken out: as in the API |
//! | `wear_um_per_month_15c` |  | number | wear of an antifouling, µm a month in water of 15 °C |
//! | `season_limit_months` |  | whole number | an antifouling's life in months by its maker |
//! | `max_days_dry` |  | whole number | days an antifouling may stand dry |
//! | `removed_on` |  | date | day it was taken off |
//! | `note` |  | text | anything else |
//! | `correction_reason` |  | text | with update: why a coat that is kept is corrected; required for it |
//!
//! `vessel_ref` or `vessel_hull_id_number` is required.

pub mod api;
pub mod model;
mod store;

use utoipa_actix_web::service_config::ServiceConfig;

pub use self::api::run::{Options, run};

/// Registers the endpoints.
pub fn register(config: &mut ServiceConfig<'_>) {
    config.service(api::endpoints::import_file).service(api::endpoints::read_import_template);
}
