//! Signing in and out.

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse};
use askama::Template;
use serde::Deserialize;

use super::form::{self, Filled};
use super::frame::{Frame, send_as};
use super::session::{AccessToken, no_session_cookie, refresh_token, see, session_cookie};
use crate::error::{Code, Error};
use crate::features::accounts::api::sign_in::{self, SignIn};
use crate::http::problem::status;
use crate::http::state::blocking;
use crate::http::{App, CallerAddress, Outcome};
use actix_web::HttpMessage;

/// Where the first page is.
const FIRST: &str = "/due";

/// The first page.
///
/// # Errors
/// None.
pub async fn first() -> Outcome {
    Ok(see(FIRST))
}

/// Where to go on after signing in.
#[derive(Debug, Deserialize)]
pub struct Onward {
    next: Option<String>,
}

/// A path of this service, whatever was asked for: never another host.
fn onward(next: Option<&str>) -> String {
    let is_path = |next: &&str| {
        next.starts_with('/')
            && !next.starts_with("//")
            && next.chars().all(|c| c.is_ascii_graphic() && c != '\\')
    };
    next.filter(is_path).filter(|next| *next != "/").unwrap_or(FIRST).to_owned()
}

#[derive(Template)]
#[template(path = "sign_in.html")]
struct SignInPage {
    frame: Frame,
    next: String,
    email: String,
    problem: Option<String>,
    asks_code: bool,
}

/// The page for signing in.
///
/// # Errors
/// Internal.
pub async fn show(request: HttpRequest) -> Outcome {
    let asked: Onward = form::query(&request)?;
    let next = onward(asked.next.as_deref());
    if request.extensions().contains::<AccessToken>() {
        return Ok(see(&next));
    }
    let frame = Frame::open(&request, "Sign in")?;
    send_as(
        StatusCode::OK,
        &SignInPage { frame, next, email: String::new(), problem: None, asks_code: false },
    )
}

/// What was filled in.
#[derive(Deserialize)]
pub struct Entered {
    email: Option<String>,
    password: Option<String>,
    code: Option<String>,
    next: Option<String>,
}

/// Signs in.
///
/// # Errors
/// Internal; those of the database.
pub async fn enter(app: App, request: HttpRequest, from: CallerAddress, entered: Filled<Entered>) -> Outcome {
    let Entered { email, password, code, next } = entered.0;
    let (email, next) = (email.unwrap_or_default(), onward(next.as_deref()));
    let asked = SignIn { email: email.clone(), password: password.unwrap_or_default(), code, org_id: None };
    let longest = asked.email.len().max(asked.password.len()).max(asked.code.as_ref().map_or(0, String::len));
    let state = app.clone();
    let opened = if longest > 800 {
        Err(Error::new(Code::Invalid, "That is too long for an address or a password."))
    } else {
        blocking(move || sign_in::open(&state, from.0, &asked)).await
    };
    match opened {
        Ok(session) => {
            let mut answer = see(&next);
            answer.add_cookie(&session_cookie(&app, session.refresh_token)).map_err(Error::internal)?;
            Ok(answer)
        }
        Err(error) if matches!(error.code, Code::Internal | Code::Unavailable) => Err(error),
        Err(error) => {
            let asks_code = error.code == Code::CodeRequired;
            let problem = if asks_code {
                "Enter your password again with the present code of your second factor.".to_owned()
            } else {
                error.detail.clone()
            };
            let frame = Frame::open(&request, "Sign in")?;
            let page = SignInPage { frame, next, email, problem: Some(problem), asks_code };
            send_as(status(error.code), &page)
        }
    }
}

/// What the form for signing out holds besides its token.
#[derive(Deserialize)]
pub struct Nothing {}

/// Signs out: the session is over on the server too.
///
/// # Errors
/// Those of the database.
pub async fn leave(app: App, from: CallerAddress, request: HttpRequest, _: Filled<Nothing>) -> Outcome {
    if let Some(token) = refresh_token(&app, &request) {
        let state = app.clone();
        blocking(move || sign_in::end(&state, from.0, &token, false)).await?;
    }
    let mut answer: HttpResponse = see("/sign-in");
    answer.add_cookie(&no_session_cookie(&app)).map_err(Error::internal)?;
    Ok(answer)
}

#[cfg(test)]
mod tests {
    use super::onward;

    #[test]
    fn nobody_is_sent_to_another_host() {
        for other in
            ["https://elsewhere.example", "//elsewhere.example", "/\\elsewhere", "/a\r\nb", "due", "/"]
        {
            assert_eq!(onward(Some(other)), "/due", "{other}");
        }
        assert_eq!(onward(Some("/due?kind=repair")), "/due?kind=repair");
        assert_eq!(onward(None), "/due");
    }
}
