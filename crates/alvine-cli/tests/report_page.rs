//! The report's page in a browser: pointer, keys, themes, paper, and what a checker of accessibility says.
//!
//! Runs where `ALVINE_CHROMIUM` names a Chromium. `ALVINE_AXE` may name axe-core's script (`axe.min.js`), and
//! `ALVINE_REPORT_DIR` a folder in which to leave pictures of the page for a person to look at.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod browser;
mod program;

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use browser::Browser;
use program::succeed;
use serde_json::{Value, json};
use tempfile::TempDir;

/// A laptop's window, px.
const WINDOW: (u32, u32) = (1440, 900);

/// The report of twelve simulated hours with eight sites and six findings, made once.
fn report() -> PathBuf {
    static MADE: OnceLock<TempDir> = OnceLock::new();
    let dir = MADE.get_or_init(|| {
        let dir = tempfile::tempdir().unwrap();
        succeed(
            dir.path(),
            &["simulate", "--seed", "7", "--rate-hz", "0.2", "--out", "study"],
        );
        let file = dir.path().join("study/study.toml");
        let mut study = fs::read_to_string(&file).unwrap();
        for k in 1..=6 {
            study.push_str(&format!(
                "\n[[finding]]\nid = \"r{k}\"\ntime_s = {}.0\nnote = \"angioectasia, several small spots in one fold\"\n",
                4000 + 2500 * k
            ));
        }
        fs::write(&file, study).unwrap();
        succeed(dir.path(), &["report", "study", "--out", "report", "--no-png"]);
        dir
    });
    dir.path().join("report/report.html")
}

/// A browser with the page open, where one is named.
fn opened() -> Option<Browser> {
    let program = browser::named()?;
    let file = report();
    let mut browser = Browser::start(&program, WINDOW);
    browser.open(&file);
    browser.drawn();
    Some(browser)
}

/// Leaves a picture of the window, or of the whole page, where one is wanted.
fn picture(browser: &mut Browser, name: &str, whole: bool) {
    let Some(folder) = std::env::var_os("ALVINE_REPORT_DIR") else {
        return;
    };
    let taken = browser.call(
        "Page.captureScreenshot",
        json!({"captureBeyondViewport": whole, "format": "png"}),
    );
    let folder = Path::new(&folder);
    fs::create_dir_all(folder).unwrap();
    let packed = taken["data"].as_str().unwrap();
    fs::write(folder.join(name).with_extension("png"), unpacked(packed)).unwrap();
}

/// Bytes from base64.
fn unpacked(text: &str) -> Vec<u8> {
    let sextet = |letter: u8| match letter {
        b'A'..=b'Z' => letter - b'A',
        b'a'..=b'z' => letter - b'a' + 26,
        b'0'..=b'9' => letter - b'0' + 52,
        b'+' => 62,
        _ => 63,
    };
    let mut bytes = Vec::with_capacity(text.len() / 4 * 3);
    for group in text.trim_end_matches('=').as_bytes().chunks(4) {
        let bits = group.iter().enumerate().fold(0_u32, |bits, (k, &letter)| {
            bits | u32::from(sextet(letter)) << (18 - 6 * k)
        });
        bytes.extend_from_slice(&bits.to_be_bytes()[1..group.len()]);
    }
    bytes
}

/// Where the cursor stands, s.
fn cursor_s(browser: &mut Browser) -> f64 {
    browser
        .value("Number(document.getElementById('overview').getAttribute('aria-valuenow'))")
        .as_f64()
        .unwrap()
}

fn text_of(browser: &mut Browser, id: &str) -> String {
    let text = browser.value(&format!("document.getElementById('{id}').textContent"));
    text.as_str().unwrap().to_owned()
}

/// A picture of a canvas as text, to tell whether it changed.
fn drawing_of(browser: &mut Browser, id: &str) -> String {
    let drawing = browser.value(&format!("document.getElementById('{id}').toDataURL()"));
    drawing.as_str().unwrap().to_owned()
}

const CANVASES: [&str; 6] = ["overview", "strips", "coronal", "sagittal", "axial", "solid"];

#[test]
fn the_page_asks_nothing_of_the_network_and_raises_no_error() {
    let Some(mut browser) = opened() else { return };
    let asked = |event: &&Value| {
        let url = event["params"]["request"]["url"].as_str().unwrap_or_default();
        event["method"] == "Network.requestWillBeSent" && !url.starts_with("data:")
    };
    assert_eq!(browser.events.iter().filter(asked).count(), 1);
    for trouble in ["Runtime.exceptionThrown", "Log.entryAdded"] {
        let told: Vec<_> = browser
            .events
            .iter()
            .filter(|event| event["method"] == trouble)
            .collect();
        assert!(told.is_empty(), "{told:?}");
    }
    let first_ms = browser
        .value("performance.getEntriesByName('first-contentful-paint')[0].startTime")
        .as_f64()
        .unwrap();
    println!("first contentful paint after {first_ms:.0} ms");
    picture(&mut browser, "window", false);
    picture(&mut browser, "whole", true);
}

#[test]
fn one_click_moves_the_cursor_of_every_view() {
    let Some(mut browser) = opened() else { return };
    let before = CANVASES.map(|id| drawing_of(&mut browser, id));
    let (elapsed, place) = (text_of(&mut browser, "at-elapsed"), text_of(&mut browser, "at-place"));
    let at = browser.place("strips", (0.7, 0.5));
    browser.drag(at, at, false);
    for (id, before) in CANVASES.iter().zip(before) {
        assert!(drawing_of(&mut browser, id) != before, "{id}");
    }
    assert_ne!(text_of(&mut browser, "at-elapsed"), elapsed);
    assert_ne!(text_of(&mut browser, "at-place"), place);
    // The strips' axis begins 172 px from the left and ends 14 px from the right.
    let width_px = browser
        .value("document.getElementById('strips').clientWidth")
        .as_f64()
        .unwrap();
    let expected_s = 43_195.0 * (0.7 * width_px - 172.0) / (width_px - 186.0);
    let found_s = cursor_s(&mut browser);
    assert!((found_s - expected_s).abs() < 120.0, "{found_s} {expected_s}");
    let said = browser.value("document.getElementById('overview').getAttribute('aria-valuetext')");
    assert!(said.as_str().unwrap().contains("Sites hearing: "), "{said}");
}

#[test]
fn a_drag_along_the_time_takes_the_cursor_with_it_and_with_shift_it_zooms() {
    let Some(mut browser) = opened() else { return };
    let (from, to) = (
        browser.place("overview", (0.2, 0.4)),
        browser.place("overview", (0.6, 0.4)),
    );
    browser.drag(from, to, false);
    let moved_s = cursor_s(&mut browser);
    assert!((moved_s - 0.6 * 43_195.0).abs() < 200.0, "{moved_s}");
    let (from, to) = (browser.place("strips", (0.5, 0.5)), browser.place("strips", (0.6, 0.5)));
    let before = drawing_of(&mut browser, "coronal");
    browser.drag(from, to, true);
    let shown = text_of(&mut browser, "shown");
    assert!(shown.starts_with("Shown: 1.") && shown.contains(" h."), "{shown}");
    assert!(
        drawing_of(&mut browser, "coronal") != before,
        "the path follows the window"
    );
    picture(&mut browser, "zoomed", false);
}

#[test]
fn keys_move_zoom_and_go_to_events() {
    let Some(mut browser) = opened() else { return };
    browser.value("document.getElementById('overview').focus()");
    browser.key("Home", false, 1);
    assert_eq!(cursor_s(&mut browser), 0.0);
    browser.key("ArrowRight", false, 3);
    let step_s = cursor_s(&mut browser) / 3.0;
    assert!(step_s > 0.0 && step_s <= 300.0, "{step_s}");
    browser.key("ArrowRight", true, 1);
    assert_eq!(cursor_s(&mut browser), 13.0 * step_s);
    browser.key("ArrowLeft", false, 1);
    assert_eq!(cursor_s(&mut browser), 12.0 * step_s);
    browser.key("End", false, 1);
    assert_eq!(cursor_s(&mut browser), 43_195.0);
    browser.key("Home", false, 1);
    browser.key("PageDown", false, 1);
    // The swallow.
    assert_eq!(cursor_s(&mut browser), 412.0);
    browser.key("End", false, 1);
    browser.key("PageUp", false, 2);
    let event_s = cursor_s(&mut browser);
    browser.key("+", false, 3);
    assert_eq!(cursor_s(&mut browser), event_s);
    assert!(text_of(&mut browser, "shown").starts_with("Shown: 1.5 h"));
    browser.key("ArrowRight", false, 1);
    assert!(cursor_s(&mut browser) - event_s < step_s);
    browser.key("-", false, 1);
    assert!(text_of(&mut browser, "shown").starts_with("Shown: 3 h"));
    browser.key("0", false, 1);
    assert!(text_of(&mut browser, "shown").starts_with("Shown: 12 h"));
}

#[test]
fn the_torso_turns_by_drag_by_keys_and_by_name() {
    let Some(mut browser) = opened() else { return };
    let turned = |browser: &mut Browser| {
        let label = browser.value("document.getElementById('solid').getAttribute('aria-label')");
        (label.as_str().unwrap().to_owned(), drawing_of(browser, "solid"))
    };
    let mut seen = vec![turned(&mut browser)];
    let (from, to) = (browser.place("solid", (0.3, 0.5)), browser.place("solid", (0.6, 0.4)));
    browser.drag(from, to, false);
    seen.push(turned(&mut browser));
    browser.value("document.getElementById('solid').focus()");
    let at_s = cursor_s(&mut browser);
    browser.key("ArrowLeft", false, 3);
    seen.push(turned(&mut browser));
    assert_eq!(
        cursor_s(&mut browser),
        at_s,
        "arrows on the torso turn it and leave the time alone"
    );
    browser.call(
        "Emulation.setEmulatedMedia",
        json!({"features": [{"name": "prefers-reduced-motion", "value": "reduce"}]}),
    );
    for side in ["front", "left", "feet"] {
        browser.value(&format!("document.querySelector('[data-act={side}]').click()"));
        browser.drawn();
        seen.push(turned(&mut browser));
    }
    assert!(seen[4].0.contains("turned by 90° and tilted by 0°"), "{}", seen[4].0);
    for (k, one) in seen.iter().enumerate() {
        assert!(
            seen[k + 1..].iter().all(|other| other.0 != one.0 && other.1 != one.1),
            "{k}"
        );
    }
}

#[test]
fn a_click_on_the_path_or_on_a_finding_goes_to_its_moment() {
    let Some(mut browser) = opened() else { return };
    let before_s = cursor_s(&mut browser);
    let at = browser.place("coronal", (0.3, 0.7));
    browser.drag(at, at, false);
    assert_ne!(cursor_s(&mut browser), before_s);
    // Three findings of the simulation come before those that were added.
    browser.value("document.querySelectorAll('#findings .jump')[6].click()");
    browser.drawn();
    assert_eq!(cursor_s(&mut browser), 14_000.0);
    assert_eq!(browser.value("document.activeElement.id"), "overview");
}

#[test]
fn colours_follow_the_system_and_the_reader() {
    let Some(mut browser) = opened() else { return };
    let paper = |browser: &mut Browser| browser.value("getComputedStyle(document.body).backgroundColor");
    let (white, dark) = (json!("rgb(255, 255, 255)"), json!("rgb(20, 23, 28)"));
    assert_eq!(paper(&mut browser), white);
    let by_day = drawing_of(&mut browser, "strips");
    browser.call(
        "Emulation.setEmulatedMedia",
        json!({"features": [{"name": "prefers-color-scheme", "value": "dark"}]}),
    );
    browser.drawn();
    assert_eq!(paper(&mut browser), dark);
    assert!(drawing_of(&mut browser, "strips") != by_day);
    picture(&mut browser, "dark", false);
    picture(&mut browser, "dark-whole", true);
    browser.value("document.querySelector('#theme [value=light]').click()");
    browser.drawn();
    assert_eq!(paper(&mut browser), white);
    assert!(drawing_of(&mut browser, "strips") == by_day);
}

#[test]
fn the_page_fits_a_narrow_screen() {
    let Some(mut browser) = opened() else { return };
    browser.call(
        "Emulation.setDeviceMetricsOverride",
        json!({"width": 390, "height": 844, "deviceScaleFactor": 1, "mobile": true}),
    );
    browser.drawn();
    assert_eq!(browser.value("document.documentElement.scrollWidth"), 390);
    picture(&mut browser, "narrow", true);
}

#[test]
fn the_page_prints_on_two_sheets() {
    let Some(mut browser) = opened() else { return };
    for theme in ["light", "dark"] {
        browser.value(&format!("document.querySelector('#theme [value={theme}]').click()"));
        let printed = browser.call(
            "Page.printToPDF",
            json!({"printBackground": true, "preferCSSPageSize": true}),
        );
        let pdf = unpacked(printed["data"].as_str().unwrap());
        if let Some(folder) = std::env::var_os("ALVINE_REPORT_DIR") {
            fs::create_dir_all(&folder).unwrap();
            fs::write(Path::new(&folder).join("printed.pdf"), &pdf).unwrap();
        }
        let text = String::from_utf8_lossy(&pdf);
        let sheets = text.matches("/Type /Page\n").count();
        assert_eq!(sheets, 2, "{theme}");
        // A4 in points.
        assert!(text.contains("/MediaBox [0 0 594.9"), "{theme}");
    }
}

#[test]
fn without_a_script_still_pictures_stand_in() {
    let Some(program) = browser::named() else { return };
    let file = report();
    let mut browser = Browser::start(&program, WINDOW);
    browser.call("Emulation.setScriptExecutionDisabled", json!({"value": true}));
    browser.open(&file);
    let seen = browser.value(
        "['explorer', 'theme'].map((id) => document.getElementById(id).offsetHeight > 0) \
         .concat([...document.querySelectorAll('.stills svg')].map((svg) => svg.getBoundingClientRect().height > 100))",
    );
    assert_eq!(seen, json!([false, false, true, true, true, true]));
    picture(&mut browser, "without-script", true);
}

#[test]
fn a_checker_of_accessibility_finds_nothing_by_day_and_by_night() {
    let Some(script) = std::env::var_os("ALVINE_AXE") else {
        return;
    };
    let Some(mut browser) = opened() else { return };
    let script = fs::read_to_string(script).unwrap();
    // Folded parts are checked as well.
    // Three findings of the simulation come before those that were added.
    browser.value("document.querySelectorAll('details').forEach((fold) => { fold.open = true; })");
    browser.value(&format!("{script}; 1"));
    for theme in ["light", "dark"] {
        browser.value(&format!("document.querySelector('#theme [value={theme}]').click()"));
        browser.drawn();
        let found = browser.value(
            "axe.run(document, { resultTypes: ['violations', 'incomplete'] }).then((found) => ({ passes: found.passes.length, \
             violations: found.violations.map((rule) => [rule.id, rule.nodes.map((node) => node.html.slice(0, 160) + node.failureSummary)]), \
             incomplete: found.incomplete.map((rule) => [rule.id, rule.nodes.length, rule.nodes[0].html.slice(0, 160)]) }))",
        );
        println!(
            "{theme}: {} rules passed; to be looked at: {}",
            found["passes"], found["incomplete"]
        );
        assert!(found["passes"].as_u64().unwrap() >= 20);
        assert_eq!(found["violations"], json!([]), "{theme}");
    }
}

#[test]
fn focus_goes_from_answer_to_explorer_in_the_order_of_the_page() {
    let Some(mut browser) = opened() else { return };
    let mut order = Vec::new();
    let mut heights = Vec::new();
    browser.value("document.body.focus()");
    for _ in 0..60 {
        browser.key("Tab", false, 1);
        let at = browser.value(
            "(() => { const at = document.activeElement; return [at.id || at.dataset.act || at.className || at.tagName, \
             at.closest('section')?.id ?? 'header', at.getBoundingClientRect().top + scrollY]; })()",
        );
        order.push(at[1].as_str().unwrap().to_owned());
        heights.push((at[0].as_str().unwrap().to_owned(), at[2].as_f64().unwrap()));
    }
    order.dedup();
    assert_eq!(
        order[..4],
        ["header", "answer", "findings", "passage"].map(str::to_owned),
        "{order:?}"
    );
    let names: Vec<_> = heights.iter().map(|(name, _)| name.as_str()).collect();
    let place = |name: &str| names.iter().position(|known| *known == name);
    assert!(
        place("overview") < place("zoom-in") && place("zoom-in") < place("solid"),
        "{names:?}"
    );
}
