// @generated automatically by Diesel CLI.

diesel::table! {
    attachment_erasures (org_id, attachment_id) {
        org_id -> Uuid,
        attachment_id -> Uuid,
        reason -> Text,
        erased_at -> Timestamptz,
        erased_by -> Nullable<Uuid>,
        vessel_id -> Uuid,
    }
}

diesel::table! {
    attachment_versions (org_id, attachment_id, version) {
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
    attachments (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        vessel_id -> Uuid,
        object_id -> Uuid,
        media_type -> Text,
        content_bytes -> Int8,
        content_sha256 -> Bytea,
        sent_sha256 -> Bytea,
        width_px -> Nullable<Int4>,
        height_px -> Nullable<Int4>,
        created_at -> Timestamptz,
        created_by -> Nullable<Uuid>,
        author_org_id -> Uuid,
    }
}

diesel::table! {
    audit (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        recorded_at -> Timestamptz,
        person_id -> Nullable<Uuid>,
        request_id -> Text,
        action -> Text,
        entity -> Text,
        entity_id -> Uuid,
        before -> Nullable<Jsonb>,
        after -> Nullable<Jsonb>,
        program_id -> Nullable<Uuid>,
        address -> Nullable<Text>,
        by_org_id -> Nullable<Uuid>,
    }
}

diesel::table! {
    audit_chain (org_id, sequence) {
        org_id -> Uuid,
        sequence -> Int8,
        audit_id -> Uuid,
        previous_sha256 -> Bytea,
        row_sha256 -> Bytea,
    }
}

diesel::table! {
    calibration_choices (org_id, sequence) {
        org_id -> Uuid,
        sequence -> Int4,
        calibration_id -> Nullable<Uuid>,
        chosen_at -> Timestamptz,
        chosen_by -> Nullable<Uuid>,
        note -> Nullable<Text>,
    }
}

diesel::table! {
    calibration_previews (org_id, calibration_id) {
        org_id -> Uuid,
        calibration_id -> Uuid,
        compared_with_id -> Nullable<Uuid>,
        computed_at -> Timestamptz,
        preview -> Jsonb,
    }
}

diesel::table! {
    calibrations (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        fitted_at -> Timestamptz,
        model -> Text,
        hulls -> Int4,
        lives -> Int4,
        events -> Int4,
        peers -> Int4,
        inputs_sha256 -> Bytea,
        fit -> Jsonb,
        skins -> Jsonb,
    }
}

diesel::table! {
    calendar_feeds (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        person_id -> Uuid,
        name -> Text,
        site_id -> Nullable<Uuid>,
        kind -> Nullable<Text>,
        ended -> Bool,
        secret_sha256 -> Bytea,
        version -> Int4,
        created_at -> Timestamptz,
        updated_at -> Timestamptz,
    }
}

diesel::table! {
    digest_letters (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        person_id -> Uuid,
        job_id -> Uuid,
        secret_sha256 -> Nullable<Bytea>,
        sent_at -> Timestamptz,
    }
}

diesel::table! {
    digests (org_id, person_id) {
        org_id -> Uuid,
        person_id -> Uuid,
        wanted -> Bool,
        weekday -> Text,
        local_time_h -> Int2,
        site_id -> Nullable<Uuid>,
        version -> Int4,
        created_at -> Timestamptz,
        updated_at -> Timestamptz,
    }
}

diesel::table! {
    due_ended (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        site_id -> Nullable<Uuid>,
        kind -> Text,
        due_on -> Date,
        ended_at -> Timestamptz,
        vessel_name -> Nullable<Text>,
    }
}

diesel::table! {
    climate_values (org_id, id) {
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
        author_org_id -> Uuid,
    }
}

diesel::table! {
    coat_films (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        vessel_id -> Uuid,
        coat_id -> Uuid,
        supersedes_id -> Nullable<Uuid>,
        method -> Text,
        rule -> Text,
        nominal_um -> Float8,
        max_um -> Nullable<Float8>,
        level -> Nullable<Int4>,
        readings_um -> Jsonb,
        volume_solids_pct -> Nullable<Float8>,
        loss_fraction -> Nullable<Float8>,
        measured_at -> Timestamptz,
        note -> Nullable<Text>,
        accepted -> Bool,
        mean_film_um -> Float8,
        thinnest_film_um -> Float8,
        thickest_film_um -> Float8,
        failures -> Jsonb,
        recorded_at -> Timestamptz,
        recorded_by -> Nullable<Uuid>,
        author_org_id -> Uuid,
    }
}

diesel::table! {
    coat_versions (org_id, coat_id, version) {
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
        vessel_id -> Uuid,
        author_org_id -> Uuid,
    }
}

diesel::table! {
    coats (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        #[sql_name = "ref"]
        ref_ -> Nullable<Text>,
        vessel_id -> Uuid,
        haul_out_id -> Nullable<Uuid>,
        created_at -> Timestamptz,
        author_org_id -> Uuid,
    }
}

diesel::table! {
    creations (org_id, key) {
        org_id -> Uuid,
        key -> Text,
        operation -> Text,
        body_sha256 -> Bytea,
        entity_id -> Nullable<Uuid>,
        response -> Nullable<Text>,
        created_at -> Timestamptz,
    }
}

diesel::table! {
    deliveries (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        subscription_id -> Uuid,
        event_id -> Uuid,
        vessel_id -> Nullable<Uuid>,
        state -> Text,
        attempts -> Int4,
        first_failed_at -> Nullable<Timestamptz>,
        failures -> Int4,
        next_at -> Timestamptz,
        created_at -> Timestamptz,
        updated_at -> Timestamptz,
    }
}

diesel::table! {
    delivery_attempts (org_id, delivery_id, sequence) {
        org_id -> Uuid,
        delivery_id -> Uuid,
        sequence -> Int4,
        attempted_at -> Timestamptz,
        status -> Nullable<Int4>,
        outcome -> Text,
        answer -> Nullable<Text>,
    }
}

diesel::table! {
    due (viewer_org_id, id) {
        viewer_org_id -> Uuid,
        id -> Uuid,
        org_id -> Uuid,
        vessel_id -> Uuid,
        site_id -> Nullable<Uuid>,
        laminate_class -> Nullable<Text>,
        kind -> Text,
        status -> Text,
        due_on -> Nullable<Date>,
        p10 -> Nullable<Date>,
        p50 -> Nullable<Date>,
        p90 -> Nullable<Date>,
        driver -> Text,
        reason -> Text,
        evidence -> Jsonb,
        basis -> Text,
        model -> Text,
        inputs_hash -> Text,
        computed_at -> Timestamptz,
        sort_on -> Date,
    }
}

diesel::table! {
    event_order (org_id, sequence) {
        org_id -> Uuid,
        sequence -> Int8,
        event_id -> Uuid,
    }
}

diesel::table! {
    events (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        kind -> Text,
        vessel_id -> Nullable<Uuid>,
        site_id -> Nullable<Uuid>,
        recorded_at -> Timestamptz,
        content -> Jsonb,
    }
}

diesel::table! {
    finding_versions (org_id, finding_id, version) {
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
        vessel_id -> Uuid,
        author_org_id -> Uuid,
    }
}

diesel::table! {
    findings (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        #[sql_name = "ref"]
        ref_ -> Nullable<Text>,
        vessel_id -> Uuid,
        survey_id -> Nullable<Uuid>,
        created_at -> Timestamptz,
        author_org_id -> Uuid,
    }
}

diesel::table! {
    forecasts (org_id, vessel_id) {
        org_id -> Uuid,
        vessel_id -> Uuid,
        as_of -> Date,
        computed_at -> Timestamptz,
        model -> Text,
        inputs_hash -> Text,
        result -> Jsonb,
    }
}

diesel::table! {
    grants (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        vessel_id -> Uuid,
        grantee_org_id -> Uuid,
        scope -> Text,
        from_at -> Timestamptz,
        until_at -> Nullable<Timestamptz>,
        revoked_at -> Nullable<Timestamptz>,
        note -> Nullable<Text>,
        version -> Int4,
        created_at -> Timestamptz,
        updated_at -> Timestamptz,
    }
}

diesel::table! {
    haul_outs (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        #[sql_name = "ref"]
        ref_ -> Nullable<Text>,
        vessel_id -> Uuid,
        lifted_on -> Date,
        relaunched_on -> Nullable<Date>,
        reason -> Text,
        note -> Nullable<Text>,
        version -> Int4,
        created_at -> Timestamptz,
        updated_at -> Timestamptz,
        author_org_id -> Uuid,
    }
}

diesel::table! {
    invitations (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        email -> Nullable<Text>,
        role -> Text,
        secret_sha256 -> Bytea,
        invited_by -> Nullable<Uuid>,
        created_at -> Timestamptz,
        expires_at -> Timestamptz,
        accepted_at -> Nullable<Timestamptz>,
        withdrawn_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    jobs (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        kind -> Text,
        subject_id -> Uuid,
        state -> Text,
        run_after -> Timestamptz,
        attempts -> Int4,
        locked_by -> Nullable<Text>,
        locked_until -> Nullable<Timestamptz>,
        last_error -> Nullable<Text>,
        requested_at -> Timestamptz,
    }
}

diesel::table! {
    learning_settings (org_id) {
        org_id -> Uuid,
        acceptance -> Text,
        pooled -> Bool,
        version -> Int4,
        updated_at -> Timestamptz,
    }
}

diesel::table! {
    members (org_id, person_id) {
        org_id -> Uuid,
        person_id -> Uuid,
        role -> Text,
        ended_at -> Nullable<Timestamptz>,
        version -> Int4,
        created_at -> Timestamptz,
        updated_at -> Timestamptz,
    }
}

diesel::table! {
    organisations (org_id) {
        org_id -> Uuid,
        name -> Text,
        time_zone -> Text,
        version -> Int4,
        created_at -> Timestamptz,
        updated_at -> Timestamptz,
    }
}

diesel::table! {
    passwords (person_id) {
        person_id -> Uuid,
        password_hash -> Text,
        changed_at -> Timestamptz,
        reset_sha256 -> Nullable<Bytea>,
        reset_expires_at -> Nullable<Timestamptz>,
        second_factor_sealed -> Nullable<Bytea>,
        second_factor_confirmed -> Bool,
        second_factor_used_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    people (person_id) {
        person_id -> Uuid,
        email -> Text,
        display_name -> Text,
        created_at -> Timestamptz,
        erased_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    policies (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        vessel_id -> Nullable<Uuid>,
        limits -> Jsonb,
        version -> Int4,
        created_at -> Timestamptz,
        updated_at -> Timestamptz,
    }
}

diesel::table! {
    pooled_sums (org_id) {
        org_id -> Uuid,
        sum_id -> Uuid,
        sums -> Jsonb,
        given_at -> Timestamptz,
    }
}

diesel::table! {
    products (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        #[sql_name = "ref"]
        ref_ -> Nullable<Text>,
        name -> Text,
        role -> Text,
        solventless -> Bool,
        amine_blush -> Bool,
        volume_solids_pct -> Nullable<Float8>,
        min_dry_film_um -> Nullable<Float8>,
        max_dry_film_um -> Nullable<Float8>,
        min_surface_temperature_c -> Nullable<Float8>,
        max_surface_temperature_c -> Nullable<Float8>,
        min_margin_k -> Nullable<Float8>,
        max_relative_humidity_pct -> Nullable<Float8>,
        mix_base_parts -> Nullable<Float8>,
        mix_hardener_parts -> Nullable<Float8>,
        pack_l -> Nullable<Float8>,
        pot_life -> Jsonb,
        overcoating -> Jsonb,
        cure -> Jsonb,
        max_days_to_launch -> Nullable<Int4>,
        permeability_kg_m_s -> Nullable<Float8>,
        wear_um_per_month_15c -> Nullable<Float8>,
        season_limit_months -> Nullable<Int4>,
        max_days_dry -> Nullable<Int4>,
        note -> Nullable<Text>,
        version -> Int4,
        created_at -> Timestamptz,
        updated_at -> Timestamptz,
    }
}

diesel::table! {
    program_secrets (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        program_id -> Uuid,
        secret_sha256 -> Bytea,
        created_at -> Timestamptz,
        expires_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    programs (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        name -> Text,
        scopes -> Text,
        expires_at -> Nullable<Timestamptz>,
        ended -> Bool,
        version -> Int4,
        created_at -> Timestamptz,
        updated_at -> Timestamptz,
    }
}

diesel::table! {
    readings (org_id, id, version) {
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
        author_org_id -> Uuid,
    }
}

diesel::table! {
    refresh_families (family_id) {
        family_id -> Uuid,
        person_id -> Uuid,
        org_id -> Uuid,
        created_at -> Timestamptz,
        expires_at -> Timestamptz,
        revoked_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    refresh_tokens (token_sha256) {
        token_sha256 -> Bytea,
        family_id -> Uuid,
        issued_at -> Timestamptz,
        used_at -> Nullable<Timestamptz>,
        seen_at -> Nullable<Timestamptz>,
        follows_sha256 -> Nullable<Bytea>,
    }
}

diesel::table! {
    schedules (org_id, kind, subject_id) {
        org_id -> Uuid,
        kind -> Text,
        subject_id -> Uuid,
        weekday -> Nullable<Text>,
        local_time -> Time,
        time_zone -> Text,
        next_at -> Timestamptz,
        site_id -> Nullable<Uuid>,
    }
}

diesel::table! {
    site_months (org_id, site_id, month) {
        org_id -> Uuid,
        site_id -> Uuid,
        month -> Int2,
        water_temperature_c -> Float8,
        salinity_g_kg -> Float8,
        air_temperature_c -> Float8,
        relative_humidity_pct -> Float8,
    }
}

diesel::table! {
    sites (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        #[sql_name = "ref"]
        ref_ -> Nullable<Text>,
        name -> Text,
        time_zone -> Text,
        climate -> Nullable<Text>,
        note -> Nullable<Text>,
        version -> Int4,
        created_at -> Timestamptz,
        updated_at -> Timestamptz,
    }
}

diesel::table! {
    stations (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        vessel_id -> Uuid,
        code -> Text,
        hull -> Text,
        side -> Text,
        zone -> Text,
        x_m -> Nullable<Float8>,
        girth_m -> Nullable<Float8>,
        version -> Int4,
        created_at -> Timestamptz,
        updated_at -> Timestamptz,
        author_org_id -> Uuid,
    }
}

diesel::table! {
    subscription_secrets (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        subscription_id -> Uuid,
        sealed -> Bytea,
        created_at -> Timestamptz,
        expires_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    subscriptions (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        name -> Text,
        url -> Text,
        kinds -> Jsonb,
        site_ids -> Jsonb,
        active -> Bool,
        stopped_reason -> Nullable<Text>,
        first_failed_at -> Nullable<Timestamptz>,
        failures -> Int4,
        version -> Int4,
        created_at -> Timestamptz,
        updated_at -> Timestamptz,
    }
}

diesel::table! {
    survey_versions (org_id, survey_id, version) {
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
        vessel_id -> Uuid,
        author_org_id -> Uuid,
        withdrawn -> Bool,
    }
}

diesel::table! {
    surveys (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        #[sql_name = "ref"]
        ref_ -> Nullable<Text>,
        vessel_id -> Uuid,
        haul_out_id -> Nullable<Uuid>,
        created_at -> Timestamptz,
        author_org_id -> Uuid,
    }
}

diesel::table! {
    transfers (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        vessel_id -> Uuid,
        vessel_name -> Text,
        to_org_id -> Uuid,
        note -> Nullable<Text>,
        state -> Text,
        version -> Int4,
        created_at -> Timestamptz,
        updated_at -> Timestamptz,
    }
}

diesel::table! {
    told_dates (org_id, vessel_id, kind) {
        org_id -> Uuid,
        vessel_id -> Uuid,
        kind -> Text,
        phase -> Text,
        due_on -> Nullable<Date>,
    }
}

diesel::table! {
    told_drying (org_id, treatment_id) {
        org_id -> Uuid,
        treatment_id -> Uuid,
        status -> Text,
    }
}

diesel::table! {
    treatment_entries (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        treatment_id -> Uuid,
        vessel_id -> Uuid,
        kind -> Text,
        zone -> Nullable<Text>,
        step -> Nullable<Text>,
        hold -> Nullable<Text>,
        of_entry_id -> Nullable<Uuid>,
        plan_version -> Nullable<Int4>,
        happened_at -> Timestamptz,
        person_name -> Nullable<Text>,
        qualification -> Nullable<Text>,
        note -> Nullable<Text>,
        recorded_at -> Timestamptz,
        recorded_by -> Nullable<Uuid>,
        author_org_id -> Uuid,
    }
}

diesel::table! {
    treatment_plan_versions (org_id, treatment_id, version) {
        org_id -> Uuid,
        treatment_id -> Uuid,
        version -> Int4,
        starts_on -> Nullable<Date>,
        plan -> Jsonb,
        recorded_at -> Timestamptz,
        recorded_by -> Nullable<Uuid>,
        vessel_id -> Uuid,
        author_org_id -> Uuid,
    }
}

diesel::table! {
    treatment_plans (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        vessel_id -> Uuid,
        haul_out_id -> Uuid,
        created_at -> Timestamptz,
        author_org_id -> Uuid,
    }
}

diesel::table! {
    treatment_records (org_id, treatment_id) {
        org_id -> Uuid,
        treatment_id -> Uuid,
        vessel_id -> Uuid,
        record -> Text,
        digest_sha256 -> Text,
        recorded_at -> Timestamptz,
        recorded_by -> Nullable<Uuid>,
        author_org_id -> Uuid,
    }
}

diesel::table! {
    treatment_versions (org_id, treatment_id, version) {
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
        vessel_id -> Uuid,
        author_org_id -> Uuid,
    }
}

diesel::table! {
    treatments (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        #[sql_name = "ref"]
        ref_ -> Nullable<Text>,
        vessel_id -> Uuid,
        haul_out_id -> Nullable<Uuid>,
        created_at -> Timestamptz,
        author_org_id -> Uuid,
    }
}

diesel::table! {
    vessel_zones (org_id, vessel_id, zone) {
        org_id -> Uuid,
        vessel_id -> Uuid,
        zone -> Text,
        laminate_thickness_mm -> Nullable<Float8>,
        cored -> Bool,
        gelcoat_thickness_um -> Nullable<Float8>,
    }
}

diesel::table! {
    vessels (org_id, id) {
        org_id -> Uuid,
        id -> Uuid,
        #[sql_name = "ref"]
        ref_ -> Nullable<Text>,
        name -> Text,
        form -> Text,
        length_m -> Float8,
        lwl_m -> Nullable<Float8>,
        beam_m -> Nullable<Float8>,
        draft_m -> Nullable<Float8>,
        displacement_kg -> Nullable<Float8>,
        sling_forward_m -> Nullable<Float8>,
        sling_aft_m -> Nullable<Float8>,
        hull_id_number -> Nullable<Text>,
        built_year -> Nullable<Int4>,
        launched_on -> Nullable<Date>,
        laminate_class -> Nullable<Text>,
        bilge -> Nullable<Text>,
        ashore_from_month -> Nullable<Int4>,
        ashore_until_month -> Nullable<Int4>,
        site_id -> Nullable<Uuid>,
        berth -> Nullable<Text>,
        owner_name -> Nullable<Text>,
        owner_phone -> Nullable<Text>,
        owner_email -> Nullable<Text>,
        note -> Nullable<Text>,
        retired_on -> Nullable<Date>,
        version -> Int4,
        created_at -> Timestamptz,
        updated_at -> Timestamptz,
    }
}

diesel::joinable!(attachment_erasures -> people (erased_by));
diesel::joinable!(attachment_versions -> people (recorded_by));
diesel::joinable!(attachments -> organisations (org_id));
diesel::joinable!(attachments -> people (created_by));
diesel::joinable!(audit -> organisations (org_id));
diesel::joinable!(audit_chain -> organisations (org_id));
diesel::joinable!(calendar_feeds -> organisations (org_id));
diesel::joinable!(digest_letters -> organisations (org_id));
diesel::joinable!(digests -> organisations (org_id));
diesel::joinable!(due_ended -> organisations (org_id));
diesel::joinable!(calibration_choices -> organisations (org_id));
diesel::joinable!(calibration_choices -> people (chosen_by));
diesel::joinable!(calibration_previews -> organisations (org_id));
diesel::joinable!(calibrations -> organisations (org_id));
diesel::joinable!(climate_values -> organisations (org_id));
diesel::joinable!(climate_values -> people (recorded_by));
diesel::joinable!(coat_films -> organisations (org_id));
diesel::joinable!(coat_films -> people (recorded_by));
diesel::joinable!(coat_versions -> people (recorded_by));
diesel::joinable!(coats -> organisations (org_id));
diesel::joinable!(creations -> organisations (org_id));
diesel::joinable!(due -> organisations (viewer_org_id));
diesel::joinable!(finding_versions -> people (recorded_by));
diesel::joinable!(findings -> organisations (org_id));
diesel::joinable!(forecasts -> organisations (org_id));
diesel::joinable!(grants -> organisations (org_id));
diesel::joinable!(haul_outs -> organisations (org_id));
diesel::joinable!(invitations -> organisations (org_id));
diesel::joinable!(invitations -> people (invited_by));
diesel::joinable!(jobs -> organisations (org_id));
diesel::joinable!(learning_settings -> organisations (org_id));
diesel::joinable!(members -> organisations (org_id));
diesel::joinable!(members -> people (person_id));
diesel::joinable!(passwords -> people (person_id));
diesel::joinable!(policies -> organisations (org_id));
diesel::joinable!(pooled_sums -> organisations (org_id));
diesel::joinable!(products -> organisations (org_id));
diesel::joinable!(programs -> organisations (org_id));
diesel::joinable!(readings -> organisations (org_id));
diesel::joinable!(readings -> people (recorded_by));
diesel::joinable!(refresh_families -> organisations (org_id));
diesel::joinable!(refresh_families -> people (person_id));
diesel::joinable!(refresh_tokens -> refresh_families (family_id));
diesel::joinable!(sites -> organisations (org_id));
diesel::joinable!(stations -> organisations (org_id));
diesel::joinable!(surveys -> organisations (org_id));
diesel::joinable!(transfers -> organisations (org_id));
diesel::joinable!(treatment_entries -> organisations (org_id));
diesel::joinable!(treatment_entries -> people (recorded_by));
diesel::joinable!(treatment_plan_versions -> people (recorded_by));
diesel::joinable!(treatment_plans -> organisations (org_id));
diesel::joinable!(treatment_records -> organisations (org_id));
diesel::joinable!(treatment_records -> people (recorded_by));
diesel::joinable!(treatment_versions -> people (recorded_by));
diesel::joinable!(treatments -> organisations (org_id));
diesel::joinable!(vessels -> organisations (org_id));

diesel::allow_tables_to_appear_in_same_query!(
    attachment_erasures,
    attachment_versions,
    attachments,
    audit,
    audit_chain,
    calendar_feeds,
    calibration_choices,
    calibration_previews,
    calibrations,
    climate_values,
    coat_films,
    coat_versions,
    coats,
    creations,
    deliveries,
    delivery_attempts,
    digest_letters,
    digests,
    due,
    due_ended,
    event_order,
    events,
    finding_versions,
    findings,
    forecasts,
    grants,
    haul_outs,
    invitations,
    jobs,
    learning_settings,
    members,
    organisations,
    passwords,
    people,
    policies,
    pooled_sums,
    products,
    program_secrets,
    programs,
    readings,
    refresh_families,
    refresh_tokens,
    schedules,
    site_months,
    sites,
    stations,
    subscription_secrets,
    subscriptions,
    survey_versions,
    surveys,
    told_dates,
    told_drying,
    transfers,
    treatment_entries,
    treatment_plan_versions,
    treatment_plans,
    treatment_records,
    treatment_versions,
    treatments,
    vessel_zones,
    vessels,
);
