//! `garboard organisation`: the first administrator. There is no default password anywhere.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use clap::Args;

use crate::cli::database::Where;
use crate::cli::output::print;
use crate::db::Db;
use crate::error::{Error, Result};
use crate::features::accounts::api::proof::hash_password;
use crate::features::accounts::model::{NewMemberFields, OrganisationFields};
use crate::features::accounts::store::{self, sessions};
use crate::http::body::validated;
use crate::ids::{Id, OrgId};
use crate::permissions::Role;
use crate::routes;

/// Make an organisation and its administrator, and print the password made for them.
#[derive(Debug, Args)]
pub struct Organisation {
    #[command(flatten)]
    database: Where,
    /// The organisation's name
    #[arg(long)]
    name: String,
    /// Its time zone, an IANA name
    #[arg(long, default_value = "UTC")]
    time_zone: String,
    /// The administrator's e-mail address
    #[arg(long)]
    email: String,
    /// The administrator's name
    #[arg(long, default_value = "Administrator")]
    display_name: String,
}

impl Organisation {
    pub(super) fn run(&self) -> Result<()> {
        let fields =
            validated(OrganisationFields { name: self.name.clone(), time_zone: self.time_zone.clone() })?;
        let password = random_password()?;
        let administrator = validated(NewMemberFields {
            email: self.email.clone(),
            display_name: self.display_name.clone(),
            role: Role::Administrator,
            password: password.clone(),
        })?;
        let opened = self.database.open()?;
        let known = opened.db.sign_in(|conn| sessions::candidate(conn, &self.email))?.is_some();
        let org_id = create(&opened.db, &fields, &[administrator])?;
        let how = if known {
            format!("{} has an account here: sign in with the password it has.", self.email)
        } else {
            format!("Sign in as {} with the password {password}\n(kept nowhere else).", self.email)
        };
        print(&format!("Organisation {} ({org_id}).\n{how}\n", self.name))
    }
}

/// A password of 20 random characters.
///
/// # Errors
/// Internal, when the system has no randomness.
pub fn random_password() -> Result<String> {
    let mut secret = [0_u8; 15];
    getrandom::fill(&mut secret).map_err(|cause| Error::internal(cause.to_string()))?;
    Ok(URL_SAFE_NO_PAD.encode(secret))
}

/// Makes an organisation with members, all or nothing.
///
/// # Errors
/// Those of the database.
pub fn create(db: &Db, fields: &OrganisationFields, members: &[NewMemberFields]) -> Result<OrgId> {
    let org_id = OrgId::fresh();
    let now = db.clock().now();
    let hashes = members.iter().map(|member| hash_password(&member.password)).collect::<Result<Vec<_>>>()?;
    db.sign_in(|conn| {
        store::insert_organisation(conn, org_id, fields, now)?;
        for (member, hash) in members.iter().zip(&hashes) {
            store::insert_member(conn, org_id, None, member, hash, now)?;
        }
        Ok(())
    })?;
    // A service that runs meanwhile works for it from now on; one that starts sees to it again.
    routes::recur(db, org_id)?;
    Ok(org_id)
}
