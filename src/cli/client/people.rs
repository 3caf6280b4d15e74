//! `garboard sign-in` and `garboard sign-out`.

use std::io::{BufRead, IsTerminal, Write};

use clap::Args;
use rustix::termios::{LocalModes, OptionalActions, tcgetattr, tcsetattr};
use serde_json::{Value, json};

use super::session::Sessions;
use super::{Door, Remote, json as json_of, refusal};
use crate::cli::output::print;
use crate::error::{Code, Error, Result};

/// Sign in to a service, and keep the session for the commands with --server.
///
/// The password is asked for at the terminal, or read as the first line of standard input.
#[derive(Debug, Args)]
pub struct SignIn {
    #[command(flatten)]
    remote: Remote,
    /// Your e-mail address
    #[arg(long)]
    email: String,
    /// The code of your second factor, where you have one; asked for at a terminal
    #[arg(long)]
    code: Option<String>,
    /// The organisation to work in, by its id; the one you are longest a member of when left out
    #[arg(long, value_name = "ID")]
    organisation: Option<String>,
}

/// End the session that is kept for a service.
#[derive(Debug, Args)]
pub struct SignOut {
    #[command(flatten)]
    remote: Remote,
}

impl SignIn {
    pub(in crate::cli) fn run(&self) -> Result<()> {
        let door = self.remote.needed()?;
        let sessions = Sessions::open()?;
        let password = secret("Password: ")?;
        let (mut status, mut answer) = self.ask(&door, &password, self.code.as_deref())?;
        if status == 401 && answer["code"] == "code_required" && self.code.is_none() && at_terminal() {
            let code = secret("Code of your second factor: ")?;
            (status, answer) = self.ask(&door, &password, Some(&code))?;
        }
        if status != 200 {
            let said = answer["detail"].as_str().unwrap_or("The service refused.");
            return Err(Error::new(Code::Unauthenticated, crate::cli::output::hushed(said)));
        }
        sessions.keep(&door, &answer)?;
        let organisation = answer["memberships"]
            .as_array()
            .into_iter()
            .flatten()
            .find(|membership| membership["org_id"] == answer["org_id"])
            .and_then(|membership| membership["name"].as_str())
            .unwrap_or_default();
        print(&format!(
            "Signed in to {} as {}, in {}.\n",
            door.address,
            answer["role"].as_str().unwrap_or_default(),
            crate::cli::output::hushed(organisation)
        ))
    }

    fn ask(&self, door: &Door, password: &str, code: Option<&str>) -> Result<(u16, Value)> {
        let mut body = json!({"email": self.email, "password": password});
        if let Some(code) = code {
            body["code"] = code.into();
        }
        if let Some(organisation) = &self.organisation {
            body["org_id"] = organisation.as_str().into();
        }
        let response = door.send(door.request("POST", "/v1/sign-in").json(&body))?;
        match response.status().as_u16() {
            status @ (200 | 401) => Ok((status, json_of(response)?)),
            _ => Err(refusal(&door.address, response)),
        }
    }
}

impl SignOut {
    pub(in crate::cli) fn run(&self) -> Result<()> {
        let door = self.remote.needed()?;
        Sessions::open()?.end(&door)?;
        print(&format!("Signed out of {}.\n", door.address))
    }
}

fn at_terminal() -> bool {
    std::io::stdin().is_terminal()
}

/// A line that is not shown while it is typed.
fn secret(prompt: &str) -> Result<String> {
    let unread = |cause: std::io::Error| {
        Error::new(Code::Malformed, "Standard input cannot be read. Type the password, or send it as a line.")
            .because(cause)
    };
    let input = std::io::stdin();
    let before = if input.is_terminal() { tcgetattr(&input).ok() } else { None };
    if let Some(before) = &before {
        let mut hidden = before.clone();
        hidden.local_modes.remove(LocalModes::ECHO);
        tcsetattr(&input, OptionalActions::Flush, &hidden).map_err(|cause| unread(cause.into()))?;
        eprint!("{prompt}");
        std::io::stderr().flush().ok();
    }
    let mut line = String::new();
    let read = input.lock().read_line(&mut line);
    if let Some(before) = &before {
        tcsetattr(&input, OptionalActions::Flush, before).map_err(|cause| unread(cause.into()))?;
        eprintln!();
    }
    if read.map_err(unread)? == 0 {
        return Err(Error::new(
            Code::Malformed,
            "Standard input ended before the password. Type it, or send it as a line.",
        ));
    }
    Ok(line.trim_end_matches(['\n', '\r']).to_owned())
}
