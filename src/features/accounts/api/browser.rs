//! The session of a browser, which presents its refresh token with every page. Nothing is taken on trust between
//! two pages: a session that has ended, a membership that is over and a role that changed count at once.
//!
//! The token is replaced every [`ACCESS_MINUTES`], so that a copy of it betrays itself: of two who hold one, the
//! second to come presents a token that was replaced, and the session ends for both (RFC 9700, 4.14.2). Two cases
//! look like it and are none. Of two tabs that come at once, the later is let in for that one request and given
//! nothing to keep. And where the answer that brought the next token was lost, that token was never presented:
//! the one before may be presented again, once, and the lost one is void.

use chrono::Duration;
use sha2::{Digest, Sha256};

use super::sign_in::fresh_refresh_token;
use crate::error::Result;
use crate::features::accounts::store::sessions as store;
use crate::http::state::AppState;
use crate::http::tokens::ACCESS_MINUTES;

/// For so long a token that was replaced lets requests in that were on their way.
const ON_THE_WAY_S: i64 = 10;

/// What a browser's session is.
#[derive(Debug)]
pub struct BrowserSession {
    /// For this request.
    pub access_token: String,
    /// What the browser is to present from now on, where it was replaced.
    pub next_refresh_token: Option<String>,
}

/// The session of the refresh token that a browser presents; none when it is over.
///
/// # Errors
/// Those of the database.
pub fn present(app: &AppState, token: &str) -> Result<Option<BrowserSession>> {
    let digest: [u8; 32] = Sha256::digest(token.as_bytes()).into();
    app.db.sign_in(|conn| {
        let now = app.clock.now();
        let Some(found) = store::presented(conn, &digest)? else { return Ok(None) };
        if found.revoked_at.is_some() || now >= found.expires_at {
            return Ok(None);
        }
        let memberships = store::memberships(conn, found.person_id)?;
        let Some((_, _, role)) = memberships.into_iter().find(|(org, ..)| *org == found.org_id) else {
            return Ok(None);
        };
        let replaced = match found.used_at {
            Some(used_at) if now - used_at < Duration::seconds(ON_THE_WAY_S) => false,
            Some(_) => {
                if !store::void_unseen_successor(conn, &digest, now)? {
                    store::revoke_family(conn, found.family_id, now)?;
                    return Ok(None);
                }
                true
            }
            None => {
                if found.seen_at.is_none() {
                    store::see_refresh_token(conn, &digest, now)?;
                }
                now - found.issued_at >= Duration::minutes(ACCESS_MINUTES)
            }
        };
        let next_refresh_token = if replaced {
            store::use_refresh_token(conn, &digest, now)?;
            let (next, next_digest) = fresh_refresh_token()?;
            store::insert_refresh_token(conn, &next_digest, found.family_id, Some(&digest), now)?;
            Some(next)
        } else {
            None
        };
        let access_token = app.keys.sign(found.person_id, found.org_id, role, now)?;
        Ok(Some(BrowserSession { access_token, next_refresh_token }))
    })
}
