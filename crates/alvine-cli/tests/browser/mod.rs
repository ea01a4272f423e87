//! A browser without a window, driven through its DevTools protocol over a pair of pipes.
//!
//! Pipes need no port, no socket library and no driver: commands go to the browser's third file, answers come from its
//! fourth, each ended by a zero byte.

use std::ffi::{OsStr, OsString};
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

use serde_json::{Value, json};
use tempfile::TempDir;

/// Names the browser; without it the tests of the page in a browser do nothing.
const CHROMIUM: &str = "ALVINE_CHROMIUM";
/// No test keeps a browser longer than this, s.
const LONGEST_S: &str = "300";

/// The browser that the environment names.
pub fn named() -> Option<OsString> {
    std::env::var_os(CHROMIUM).filter(|name| !name.is_empty())
}

/// One browser with one page.
pub struct Browser {
    child: Child,
    commands: ChildStdin,
    answers: BufReader<ChildStdout>,
    session: Option<String>,
    next: u64,
    /// What the browser told without being asked.
    pub events: Vec<Value>,
    _profile: TempDir,
}

impl Browser {
    /// Starts it with an empty profile and a page of a size, px.
    pub fn start(program: &OsStr, (width, height): (u32, u32)) -> Self {
        let profile = tempfile::tempdir().unwrap();
        let mut child = Command::new("sh")
            .args([
                "-c",
                "exec timeout \"$0\" \"$@\" 3<&0 4>&1 0</dev/null 1>/dev/null 2>/dev/null",
            ])
            .arg(LONGEST_S)
            .arg(program)
            .args(["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run"])
            .args([
                "--disable-quic",
                "--disable-background-networking",
                "--remote-debugging-pipe",
            ])
            .arg(format!("--user-data-dir={}", profile.path().display()))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let commands = child.stdin.take().unwrap();
        let answers = BufReader::new(child.stdout.take().unwrap());
        let mut browser = Self {
            child,
            commands,
            answers,
            session: None,
            next: 0,
            events: Vec::new(),
            _profile: profile,
        };
        let target = browser.call("Target.createTarget", json!({"url": "about:blank"}));
        let session = browser.call(
            "Target.attachToTarget",
            json!({"targetId": target["targetId"], "flatten": true}),
        );
        browser.session = session["sessionId"].as_str().map(str::to_owned);
        for domain in ["Page", "Runtime", "Network", "Log"] {
            browser.call(&format!("{domain}.enable"), json!({}));
        }
        browser.call(
            "Emulation.setDeviceMetricsOverride",
            json!({"width": width, "height": height, "deviceScaleFactor": 1, "mobile": false}),
        );
        browser
    }

    /// Opens a file and waits until it is loaded and drawn.
    pub fn open(&mut self, file: &Path) {
        self.events.clear();
        self.call("Page.navigate", json!({"url": format!("file://{}", file.display())}));
        while !self.heard("Page.loadEventFired") {
            self.listen();
        }
    }

    /// Whether the browser has told something since the page was opened.
    pub fn heard(&self, method: &str) -> bool {
        self.events.iter().any(|event| event["method"] == method)
    }

    /// The value of an expression in the page; a promise is waited for.
    pub fn value(&mut self, expression: &str) -> Value {
        let answer = self.call(
            "Runtime.evaluate",
            json!({"expression": expression, "awaitPromise": true, "returnByValue": true}),
        );
        assert!(answer["exceptionDetails"].is_null(), "{expression}: {answer}");
        answer["result"]["value"].clone()
    }

    /// Waits until what was asked for has been drawn.
    pub fn drawn(&mut self) {
        self.value("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(1))))");
    }

    /// The middle of an element, shifted by shares of its size, px of the window.
    pub fn place(&mut self, id: &str, (across, down): (f64, f64)) -> (f64, f64) {
        let place = self.value(&format!(
            "(() => {{ const element = document.getElementById('{id}'); element.scrollIntoView({{ block: 'center' }}); \
             const box = element.getBoundingClientRect(); \
             return [box.left + {across} * box.width, box.top + {down} * box.height]; }})()"
        ));
        (place[0].as_f64().unwrap(), place[1].as_f64().unwrap())
    }

    /// Presses at one place, moves to another in steps, and lets go. `shift` holds that key.
    pub fn drag(&mut self, from: (f64, f64), to: (f64, f64), shift: bool) {
        let modifiers = if shift { 8 } else { 0 };
        let mut mouse = |kind: &str, (x, y): (f64, f64), buttons: u32| {
            self.call(
                "Input.dispatchMouseEvent",
                json!({"type": kind, "x": x, "y": y, "button": "left", "buttons": buttons, "clickCount": 1,
                       "modifiers": modifiers}),
            );
        };
        mouse("mousePressed", from, 1);
        if from != to {
            for step in 1..=4 {
                let share = f64::from(step) / 4.0;
                let at = (from.0 + share * (to.0 - from.0), from.1 + share * (to.1 - from.1));
                mouse("mouseMoved", at, 1);
            }
        }
        mouse("mouseReleased", to, 0);
        self.drawn();
    }

    /// Presses and releases a key, as often as asked.
    pub fn key(&mut self, key: &str, shift: bool, times: u32) {
        for _ in 0..times {
            for kind in ["keyDown", "keyUp"] {
                let mut event = json!({"type": kind, "key": key, "modifiers": if shift { 8 } else { 0 }});
                if kind == "keyDown" && key.chars().count() == 1 {
                    event["text"] = json!(key);
                }
                if key == "Tab" {
                    event["windowsVirtualKeyCode"] = json!(9);
                }
                self.call("Input.dispatchKeyEvent", event);
            }
        }
        self.drawn();
    }

    /// Sends a command and waits for its answer.
    pub fn call(&mut self, method: &str, params: Value) -> Value {
        self.next += 1;
        let mut command = json!({"id": self.next, "method": method, "params": params});
        if let Some(session) = &self.session {
            command["sessionId"] = json!(session);
        }
        let mut bytes = serde_json::to_vec(&command).unwrap();
        bytes.push(0);
        self.commands.write_all(&bytes).unwrap();
        loop {
            let told = self.read();
            if told["id"] == json!(self.next) {
                assert!(told["error"].is_null(), "{method}: {}", told["error"]);
                return told["result"].clone();
            }
            self.events.push(told);
        }
    }

    fn listen(&mut self) {
        let told = self.read();
        self.events.push(told);
    }

    fn read(&mut self) -> Value {
        let mut bytes = Vec::new();
        self.answers.read_until(0, &mut bytes).unwrap();
        assert_eq!(bytes.pop(), Some(0), "the browser ended before its answer");
        serde_json::from_slice(&bytes).unwrap()
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let close = json!({"id": 0, "method": "Browser.close"}).to_string();
        let _ = self.commands.write_all(format!("{close}\0").as_bytes());
        let _ = self.child.wait();
    }
}
