//! A browser of its own for a test: Debian's chromium, driven over the `WebDriver` protocol (W3C Recommendation) by
//! chromedriver. Both end with the value.

use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};

/// The key under which an element stands in an answer (`WebDriver`, 12.2).
const ELEMENT: &str = "element-6066-11e4-a52e-4f735466cecf";
/// How long a state is waited for before the test fails.
const PATIENCE: Duration = Duration::from_secs(30);
/// The widths at which pages are looked at: a telephone's and a desk's.
pub const WIDTHS: [u32; 2] = [360, 1920];

/// A browser.
pub struct Browser {
    http: reqwest::blocking::Client,
    chromedriver: Child,
    /// Of chromedriver, with the session once there is one.
    address: String,
    width: u32,
}

/// A program of this machine.
#[allow(clippy::disallowed_methods, reason = "tests have no configuration of their own to read it with")]
fn program(name: &str, package: &str) -> PathBuf {
    let path = std::env::var_os("PATH").unwrap_or_default();
    std::env::split_paths(&path).map(|folder| folder.join(name)).find(|file| file.is_file()).unwrap_or_else(|| {
        unreachable!("The tests of the pages need {name}: install the package {package} of Debian (`.ci/run` does).")
    })
}

/// Where the pictures go: `GARBOARD_SCREENSHOTS`, or below `target`.
#[allow(clippy::disallowed_methods, reason = "tests have no configuration of their own to read it with")]
fn pictures() -> PathBuf {
    let folder = std::env::var_os("GARBOARD_SCREENSHOTS")
        .map_or_else(|| PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("target/screenshots"), PathBuf::from);
    std::fs::create_dir_all(&folder).expect("the folder of the pictures can be made");
    folder
}

impl Browser {
    /// Starts chromedriver on a free port, and a browser without anything stored.
    pub fn start() -> Self {
        let (chromium, chromedriver) =
            (program("chromium", "chromium"), program("chromedriver", "chromium-driver"));
        let mut chromedriver = Command::new(chromedriver)
            .arg("--port=0")
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver starts");
        let mut said = BufReader::new(chromedriver.stdout.take().expect("its output is ours")).lines();
        let port = said.by_ref().map_while(Result::ok).find_map(|line| {
            let (_, port) = line.split_once("started successfully on port ")?;
            port.trim_end_matches('.').parse::<u16>().ok()
        });
        // It would stop at a full pipe; the thread ends with it.
        std::thread::spawn(move || said.for_each(drop));
        let http =
            reqwest::blocking::Client::builder().timeout(PATIENCE * 4).build().expect("an HTTP client");
        let port = port.expect("chromedriver says its port");
        let mut browser =
            Self { http, chromedriver, address: format!("http://127.0.0.1:{port}/session"), width: 0 };
        let milliseconds = u64::try_from(PATIENCE.as_millis()).expect("a short time");
        let session = browser.call(
            "POST",
            "",
            &json!({"capabilities": {"alwaysMatch": {
                "timeouts": {"implicit": milliseconds, "script": milliseconds, "pageLoad": milliseconds},
                "goog:loggingPrefs": {"browser": "ALL"},
                "goog:chromeOptions": {"binary": chromium, "args": [
                    // The sandbox wants another user than root; the pages are our own.
                    "--headless=new", "--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu",
                    "--hide-scrollbars", "--force-color-profile=srgb", "--no-first-run", "--lang=en"
                ]}
            }}}),
        );
        let id = session["sessionId"].as_str().expect("a session has an id").to_owned();
        browser.address = format!("{}/{id}", browser.address);
        browser.wide(WIDTHS[1]);
        browser
    }

    fn try_call(&self, method: &str, path: &str, body: &Value) -> Result<Value, String> {
        let method = reqwest::Method::from_bytes(method.as_bytes()).expect("an HTTP method");
        let posts = method == reqwest::Method::POST;
        let request = self.http.request(method, format!("{}{path}", self.address));
        let request = if posts { request.json(body) } else { request };
        let answer = request.send().and_then(reqwest::blocking::Response::json::<Value>);
        let mut answer = answer.map_err(|cause| format!("chromedriver does not answer: {cause}"))?;
        let value = answer["value"].take();
        if value["error"].is_string() {
            Err(format!("{}: {}", value["error"], value["message"]))
        } else {
            Ok(value)
        }
    }

    #[track_caller]
    fn call(&self, method: &str, path: &str, body: &Value) -> Value {
        self.try_call(method, path, body).unwrap_or_else(|said| unreachable!("{path} {body:.200}: {said}"))
    }

    /// A command of the Chrome `DevTools` Protocol.
    #[track_caller]
    pub fn tools(&self, command: &str, parameters: &Value) -> Value {
        self.call("POST", "/goog/cdp/execute", &json!({"cmd": command, "params": parameters}))
    }

    /// Makes the window this wide.
    pub fn wide(&mut self, width: u32) {
        self.width = width;
        let metrics = json!({"width": width, "height": if width < 600 { 780 } else { 1080 },
            "deviceScaleFactor": 1, "mobile": width < 600});
        self.tools("Emulation.setDeviceMetricsOverride", &metrics);
    }

    /// Takes the network away, or gives it back.
    pub fn cut_off(&self, off: bool) {
        let conditions = json!({"offline": off, "latency": 0, "throughput": -1});
        self.call("POST", "/chromium/network_conditions", &json!({"network_conditions": conditions}));
    }

    /// As a screen (`""`) or on paper (`"print"`), in the light or in the dark.
    pub fn medium(&self, medium: &str, dark: bool) {
        let scheme = if dark { "dark" } else { "light" };
        let features = json!([{"name": "prefers-color-scheme", "value": scheme}]);
        self.tools("Emulation.setEmulatedMedia", &json!({"media": medium, "features": features}));
    }

    /// Goes to an address and waits until the page is there.
    #[track_caller]
    pub fn open(&self, address: &str) {
        self.call("POST", "/url", &json!({"url": address}));
    }

    /// Where it is.
    pub fn place(&self) -> String {
        self.call("GET", "/url", &Value::Null).as_str().expect("an address").to_owned()
    }

    /// Its tabs.
    pub fn tabs(&self) -> Vec<String> {
        let tabs = self.call("GET", "/window/handles", &Value::Null);
        tabs.as_array().into_iter().flatten().filter_map(|tab| tab.as_str().map(str::to_owned)).collect()
    }

    /// The tab that is opened beside these, waited for.
    #[track_caller]
    pub fn opened_beside(&self, tabs: &[String]) -> String {
        let begun = Instant::now();
        loop {
            if let Some(opened) = self.tabs().into_iter().find(|tab| !tabs.contains(tab)) {
                return opened;
            }
            assert!(begun.elapsed() < PATIENCE, "no tab is opened");
        }
    }

    /// Turns to a tab.
    #[track_caller]
    pub fn turn_to(&self, tab: &str) {
        self.call("POST", "/window", &json!({"handle": tab}));
    }

    /// Closes the tab it is turned to.
    #[track_caller]
    pub fn close_tab(&self) {
        self.call("DELETE", "/window", &Value::Null);
    }

    /// The first element that a CSS selector chooses, waited for.
    #[track_caller]
    fn element(&self, selector: &str) -> String {
        let found = self.call("POST", "/element", &json!({"using": "css selector", "value": selector}));
        found[ELEMENT].as_str().expect("an element has an id").to_owned()
    }

    /// Waits for an element.
    #[track_caller]
    pub fn see(&self, selector: &str) {
        self.element(selector);
    }

    /// Presses an element.
    #[track_caller]
    pub fn press(&self, selector: &str) {
        self.call("POST", &format!("/element/{}/click", self.element(selector)), &json!({}));
    }

    /// Types text into a field, after what is there, or chooses a file's path.
    #[track_caller]
    pub fn write(&self, selector: &str, text: &str) {
        self.call("POST", &format!("/element/{}/value", self.element(selector)), &json!({"text": text}));
    }

    /// Empties a field.
    #[track_caller]
    pub fn empty(&self, selector: &str) {
        self.call("POST", &format!("/element/{}/clear", self.element(selector)), &json!({}));
    }

    /// The text of an element as it is shown.
    #[track_caller]
    pub fn text(&self, selector: &str) -> String {
        let text = self.call("GET", &format!("/element/{}/text", self.element(selector)), &Value::Null);
        text.as_str().expect("a text").to_owned()
    }

    /// Runs a script in the page; what it returns.
    #[track_caller]
    pub fn run(&self, script: &str) -> Value {
        self.call("POST", "/execute/sync", &json!({"script": script, "args": []}))
    }

    /// Runs a script that says by `done(...)` that it is ready.
    #[track_caller]
    pub fn run_until_done(&self, script: &str) -> Value {
        let script = format!("const done = arguments[arguments.length - 1]; {script}");
        self.call("POST", "/execute/async", &json!({"script": script, "args": []}))
    }

    /// Waits until an expression of the page's script holds, of the page that stands then: asked from here, for a script
    /// that waits within a page ends with it.
    #[track_caller]
    pub fn until(&self, expression: &str) {
        let begun = Instant::now();
        while self.run(&format!("return Boolean({expression})")) != true {
            assert!(begun.elapsed() < Duration::from_secs(30), "{expression} came not true");
        }
    }

    /// What the page complained of since this was last asked: refused by its policy, failed in a script.
    pub fn complaints(&self) -> Vec<String> {
        let log = self.call("POST", "/se/log", &json!({"type": "browser"}));
        let lines = log.as_array().into_iter().flatten();
        lines
            .filter(|line| line["level"] == "SEVERE")
            .filter_map(|line| line["message"].as_str().map(str::to_owned))
            .collect()
    }

    /// Prints the page on the paper that it asks for, as a file (ISO 32000), kept beside the pictures under this name.
    pub fn print(&self, name: &str) -> Vec<u8> {
        let sheets =
            self.tools("Page.printToPDF", &json!({"printBackground": true, "preferCSSPageSize": true}));
        let bytes = STANDARD.decode(sheets["data"].as_str().expect("a file")).expect("base64");
        std::fs::write(pictures().join(format!("{name}.pdf")), &bytes).expect("the file can be written");
        bytes
    }

    /// A picture of the whole page, named with the width.
    pub fn picture(&self, name: &str) {
        let shot =
            self.tools("Page.captureScreenshot", &json!({"format": "png", "captureBeyondViewport": true}));
        let bytes = STANDARD.decode(shot["data"].as_str().expect("a picture")).expect("base64");
        let file = pictures().join(format!("{name}-{}.png", self.width));
        std::fs::write(&file, bytes).expect("the picture can be written");
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        // Ends the browser; the driver would leave it behind.
        self.try_call("DELETE", "", &Value::Null).ok();
        self.chromedriver.kill().ok();
        self.chromedriver.wait().ok();
    }
}
