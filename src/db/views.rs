//! The views over append-only records, as `table!`s: the tool that prints schema.rs leaves views out.
//! A test compares both files with the catalog.

use crate::db::schema::stations;

diesel::table! {
    current_attachments (org_id, attachment_id) {
        object_id -> Uuid,
        media_type -> Text,
        content_bytes -> Int8,
        content_sha256 -> Bytea,
        sent_sha256 -> Bytea,
        width_px -> Nullable<Int4>,
        height_px -> Nullable<Int4>,
        created_at -> Timestamptz,
        created_by -> Nullable<Uuid>,
        erased_at -> Nullable<Timestamptz>,
        org_id -> Uuid,
        attachment_id -> Uuid,
        version -> Int4,
        vessel_id -> Uuid,
        kind -> Text,
        survey_id -> Nullable<Uuid>,
        finding_id -> Nullable<Uuid>,
        station_id -> Nullable<Uuid>,
        coat_id -> Nullable<Uuid>,
        treatment_id -> Nullable<Uuid>,
        caption -> Nullable<Text>,
        taken_on -> Nullable<Date>,
        taken_by -> Nullable<Text>,
        withdrawn -> Bool,
        correction_reason -> Nullable<Text>,
        recorded_at -> Timestamptz,
        recorded_by -> Nullable<Uuid>,
        author_org_id -> Uuid,
    }
}

diesel::table! {
    current_surveys (org_id, survey_id) {
        #[sql_name = "ref"]
        ref_ -> Nullable<Text>,
        vessel_id -> Uuid,
        haul_out_id -> Nullable<Uuid>,
        org_id -> Uuid,
        survey_id -> Uuid,
        version -> Int4,
        surveyed_on -> Date,
        surveyor -> Nullable<Text>,
        air_temperature_c -> Nullable<Float8>,
        relative_humidity_pct -> Nullable<Float8>,
        hull_surface_temperature_c -> Nullable<Float8>,
        hours_since_lift -> Nullable<Float8>,
        hours_since_wash -> Nullable<Float8>,
        meter -> Nullable<Text>,
        meter_serial -> Nullable<Text>,
        meter_scale -> Nullable<Text>,
        check_block_reading -> Nullable<Float8>,
        depth_mode -> Nullable<Text>,
        dry_reference_reading -> Nullable<Float8>,
        bottom_examined -> Nullable<Text>,
        blistering -> Nullable<Text>,
        blister_density_per_m2 -> Nullable<Float8>,
        largest_blister_mm -> Nullable<Float8>,
        coating_failure -> Bool,
        sounding -> Nullable<Text>,
        hardness_barcol -> Nullable<Float8>,
        note -> Nullable<Text>,
        correction_reason -> Nullable<Text>,
        signed_at -> Nullable<Timestamptz>,
        signed_by -> Nullable<Uuid>,
        recorded_at -> Timestamptz,
        recorded_by -> Nullable<Uuid>,
    }
}

diesel::table! {
    signed_surveys (org_id, survey_id) {
        #[sql_name = "ref"]
        ref_ -> Nullable<Text>,
        vessel_id -> Uuid,
        haul_out_id -> Nullable<Uuid>,
        org_id -> Uuid,
        survey_id -> Uuid,
        version -> Int4,
        surveyed_on -> Date,
        surveyor -> Nullable<Text>,
        air_temperature_c -> Nullable<Float8>,
        relative_humidity_pct -> Nullable<Float8>,
        hull_surface_temperature_c -> Nullable<Float8>,
        hours_since_lift -> Nullable<Float8>,
        hours_since_wash -> Nullable<Float8>,
        meter -> Nullable<Text>,
        meter_serial -> Nullable<Text>,
        meter_scale -> Nullable<Text>,
        check_block_reading -> Nullable<Float8>,
        depth_mode -> Nullable<Text>,
        dry_reference_reading -> Nullable<Float8>,
        bottom_examined -> Nullable<Text>,
        blistering -> Nullable<Text>,
        blister_density_per_m2 -> Nullable<Float8>,
        largest_blister_mm -> Nullable<Float8>,
        coating_failure -> Bool,
        sounding -> Nullable<Text>,
        hardness_barcol -> Nullable<Float8>,
        note -> Nullable<Text>,
        correction_reason -> Nullable<Text>,
        signed_at -> Nullable<Timestamptz>,
        signed_by -> Nullable<Uuid>,
        recorded_at -> Timestamptz,
        recorded_by -> Nullable<Uuid>,
    }
}

diesel::table! {
    withdrawn_surveys (org_id, survey_id) {
        org_id -> Uuid,
        survey_id -> Uuid,
    }
}

diesel::table! {
    current_readings (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        version -> Int4,
        #[sql_name = "ref"]
        ref_ -> Nullable<Text>,
        vessel_id -> Uuid,
        survey_id -> Uuid,
        station_id -> Uuid,
        scale -> Text,
        sequence -> Int4,
        value -> Float8,
        taken_at -> Nullable<Timestamptz>,
        note -> Nullable<Text>,
        withdrawn -> Bool,
        correction_reason -> Nullable<Text>,
        recorded_at -> Timestamptz,
        recorded_by -> Nullable<Uuid>,
    }
}

diesel::table! {
    current_findings (org_id, finding_id) {
        #[sql_name = "ref"]
        ref_ -> Nullable<Text>,
        vessel_id -> Uuid,
        survey_id -> Nullable<Uuid>,
        org_id -> Uuid,
        finding_id -> Uuid,
        version -> Int4,
        kind -> Text,
        state -> Text,
        found_on -> Date,
        happened_on -> Nullable<Date>,
        follow_up_on -> Nullable<Date>,
        repaired_on -> Nullable<Date>,
        zone -> Text,
        hull -> Nullable<Text>,
        side -> Nullable<Text>,
        x_m -> Nullable<Float8>,
        girth_m -> Nullable<Float8>,
        layer -> Nullable<Text>,
        largest_mm -> Nullable<Float8>,
        count -> Nullable<Int4>,
        area_m2 -> Nullable<Float8>,
        fluid_ph -> Nullable<Float8>,
        note -> Nullable<Text>,
        withdrawn -> Bool,
        correction_reason -> Nullable<Text>,
        recorded_at -> Timestamptz,
        recorded_by -> Nullable<Uuid>,
    }
}

diesel::table! {
    current_climate_values (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        version -> Int4,
        vessel_id -> Uuid,
        haul_out_id -> Uuid,
        measured_at -> Timestamptz,
        source -> Text,
        air_temperature_c -> Float8,
        relative_humidity_pct -> Float8,
        surface_temperature_c -> Nullable<Float8>,
        withdrawn -> Bool,
        correction_reason -> Nullable<Text>,
        recorded_at -> Timestamptz,
        recorded_by -> Nullable<Uuid>,
    }
}

diesel::table! {
    current_coats (org_id, coat_id) {
        #[sql_name = "ref"]
        ref_ -> Nullable<Text>,
        vessel_id -> Uuid,
        haul_out_id -> Nullable<Uuid>,
        org_id -> Uuid,
        coat_id -> Uuid,
        version -> Int4,
        role -> Text,
        zone -> Text,
        applied_on -> Date,
        sequence -> Int4,
        product -> Nullable<Text>,
        colour -> Nullable<Text>,
        dry_film_um -> Nullable<Float8>,
        film_measured -> Bool,
        permeability_kg_m_s -> Nullable<Float8>,
        wear_um_per_month_15c -> Nullable<Float8>,
        season_limit_months -> Nullable<Int4>,
        max_days_dry -> Nullable<Int4>,
        removed_on -> Nullable<Date>,
        note -> Nullable<Text>,
        withdrawn -> Bool,
        correction_reason -> Nullable<Text>,
        recorded_at -> Timestamptz,
        recorded_by -> Nullable<Uuid>,
        product_id -> Nullable<Uuid>,
        batch_number -> Nullable<Text>,
        litres -> Nullable<Float8>,
        area_m2 -> Nullable<Float8>,
        wet_film_um -> Nullable<Float8>,
        started_at -> Nullable<Timestamptz>,
        finished_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    current_treatments (org_id, treatment_id) {
        #[sql_name = "ref"]
        ref_ -> Nullable<Text>,
        vessel_id -> Uuid,
        haul_out_id -> Nullable<Uuid>,
        org_id -> Uuid,
        treatment_id -> Uuid,
        version -> Int4,
        kind -> Text,
        started_on -> Date,
        completed_on -> Date,
        laminate_removed_mm -> Nullable<Float8>,
        note -> Nullable<Text>,
        withdrawn -> Bool,
        correction_reason -> Nullable<Text>,
        recorded_at -> Timestamptz,
        recorded_by -> Nullable<Uuid>,
    }
}

diesel::allow_tables_to_appear_in_same_query!(current_readings, current_surveys, stations);
