//! Ctrl-C and signals to end: outputs in the making are removed, and the process ends at once.

use std::io::{self, Write};
use std::process;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;

use alvine_study::abandon_all;

use crate::outcome::Outcome;

static INTERRUPTED: AtomicBool = AtomicBool::new(false);

/// Begins to listen.
///
/// Where the system refuses, an interrupt ends the process as if this had not been called, and the next command that
/// writes to the same folder removes what is left there.
pub fn watch() {
    let _ = ctrlc::set_handler(|| {
        INTERRUPTED.store(true, Ordering::SeqCst);
        abandon_all();
        let _ = io::stderr().write_all(b"\nerror: interrupted\n");
        process::exit(i32::from(Outcome::Interrupted.code()));
    });
}

/// Does not return once the process has been interrupted: whatever went wrong since then is no news, and the handler
/// is about to end the process.
pub fn wait_if_interrupted() {
    while INTERRUPTED.load(Ordering::SeqCst) {
        thread::park();
    }
}
