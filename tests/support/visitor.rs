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

/// Text of a page as it is read.
fn read_text(html: &str) -> String {
    [("&#60;", "<"), ("&#62;", ">"), ("&#34;", "\""), ("&#39;", "'"), ("&#38;", "&"), ("&amp;", "&")]
        .iter()
        .fold(html.to_owned(), |text, (escaped, sign)| text.replace(escaped, sign))
}

fn attribute(tag: &str, name: &str) -> Option<String> {
    let (_, rest) = tag.split_once(&format!(" {name}=\""))?;
    rest.split_once('"').map(|(value, _)| read_text(value))
}

/// A form of a page: where it goes, and what a browser would send of it as it stands.
#[derive(Debug, Clone)]
pub struct PageForm {
    pub action: String,
    pub fields: Vec<(String, String)>,
}

impl PageForm {
    /// The form of an act.
    #[track_caller]
    pub fn of(html: &str, act: &str) -> Self {
        let own = format!("name=\"act\" value=\"{act}\"");
        let form = html.split("<form ").skip(1).find(|form| form.contains(&own));
        let form = form.unwrap_or_else(|| unreachable!("no form of {act}"));
        let form = form.split("</form>").next().unwrap_or_default();
        let action = attribute(&format!(" {form}"), "action").expect("a form says where it goes");
        let mut fields = Vec::new();
        for tag in form.split('<').skip(1) {
            let (head, body) = tag.split_once('>').expect("a tag ends");
            let kind = head.split_whitespace().next().unwrap_or_default();
            let name = attribute(head, "name");
            match (kind, name) {
                ("input", Some(name)) if !head.contains("type=\"checkbox\"") || head.contains(" checked") => {
                    fields.push((name, attribute(head, "value").unwrap_or_default()));
                }
                ("textarea", Some(name)) => fields.push((name, read_text(body))),
                ("select", Some(name)) => fields.push((name, String::new())),
                ("option", _) if head.contains(" selected") => {
                    fields.last_mut().expect("within a select").1 =
                        attribute(head, "value").unwrap_or_default();
                }
                _ => {}
            }
        }
        Self { action, fields }
    }

    /// What stands in a field; none where it is not sent.
    pub fn value(&self, name: &str) -> Option<&str> {
        self.fields.iter().find(|(own, _)| own == name).map(|(_, value)| value.as_str())
    }

    /// With this typed or chosen.
    pub fn with(mut self, typed: &[(&str, &str)]) -> Self {
        for (name, text) in typed {
            self.fields.retain(|(own, _)| own != name);
            self.fields.push(((*name).to_owned(), (*text).to_owned()));
        }
        self
    }
}

impl Visitor {
    /// The form of an act on a page.
    #[track_caller]
    pub fn form(&mut self, path: &str, act: &str) -> PageForm {
        PageForm::of(&self.get(path).expect(200).text, act)
    }

    /// Sends a form of a page.
    pub fn submit(&mut self, form: &PageForm) -> Answer {
        let fields: Vec<(&str, &str)> =
            form.fields.iter().map(|(name, value)| (name.as_str(), value.as_str())).collect();
        self.post_bare(&form.action, &fields)
    }

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
