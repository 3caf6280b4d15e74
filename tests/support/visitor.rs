//! Somebody at a browser without a screen: keeps cookies, sends forms.

use std::collections::BTreeMap;

use super::app::{Answer, Client, PASSWORD, TestApp};

/// A visitor with their cookies.
#[derive(Clone)]
pub struct Visitor {
    client: Client,
    pub cookies: BTreeMap<String, String>,
    /// The `Set-Cookie` lines of the last answer.
    pub set: Vec<String>,
}

/// The value of the field of a form that holds its token.
pub fn form_token(html: &str) -> Option<String> {
    let (_, rest) = html.split_once("name=\"form\" value=\"")?;
    rest.split_once('"').map(|(token, _)| token.to_owned())
}

impl Visitor {
    pub fn new(app: &TestApp) -> Self {
        Self { client: app.anonymous(), cookies: BTreeMap::new(), set: Vec::new() }
    }

    fn send(&mut self, request: reqwest::blocking::RequestBuilder) -> Answer {
        let cookies: Vec<String> =
            self.cookies.iter().map(|(name, value)| format!("{name}={value}")).collect();
        let answer =
            self.client.send(request.header("Cookie", cookies.join("; ")).header("Accept", "text/html"));
        self.set = answer.headers_of("set-cookie");
        for line in &self.set {
            let pair = line.split(';').next().unwrap_or_default();
            let (name, value) = pair.split_once('=').expect("a cookie has a name");
            if line.contains("Max-Age=0") {
                self.cookies.remove(name);
            } else {
                self.cookies.insert(name.to_owned(), value.to_owned());
            }
        }
        answer
    }

    pub fn get(&mut self, path: &str) -> Answer {
        let request = self.client.request("GET", path);
        self.send(request)
    }

    /// Sends fields without a token.
    pub fn post_bare(&mut self, path: &str, fields: &[(&str, &str)]) -> Answer {
        let request = self.client.request("POST", path).form(fields);
        self.send(request)
    }

    /// A token for the forms of this visitor as they are signed in.
    pub fn token(&mut self) -> String {
        let path =
            if self.cookies.keys().any(|name| name.ends_with("refresh")) { "/due" } else { "/sign-in" };
        let answer = self.get(path).expect(200);
        form_token(&answer.text).expect("the page has a form")
    }

    /// Sends a form.
    pub fn post(&mut self, path: &str, fields: &[(&str, &str)]) -> Answer {
        let token = self.token();
        let mut all = vec![("form", token.as_str())];
        all.extend_from_slice(fields);
        self.post_bare(path, &all)
    }

    /// Signs in with the form.
    #[track_caller]
    pub fn signed_in(app: &TestApp, email: &str) -> Self {
        let mut visitor = Self::new(app);
        visitor.post("/sign-in", &[("email", email), ("password", PASSWORD)]).expect(303);
        visitor
    }
}
