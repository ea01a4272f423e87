//! Standard output: buffered, and quiet when no one listens any more.

use std::io::{self, BufWriter, ErrorKind, Write};

use serde::Serialize;

use crate::outcome::Failure;

/// Lets `write` fill standard output. A reader that has gone away, such as `head`, is no failure.
///
/// # Errors
///
/// [`Failure::Stdout`] for anything else that goes wrong.
pub fn stream(write: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> Result<(), Failure> {
    let mut out = BufWriter::with_capacity(1 << 16, io::stdout().lock());
    match write(&mut out).and_then(|()| out.flush()) {
        Err(source) if source.kind() != ErrorKind::BrokenPipe => Err(Failure::Stdout { source }),
        _ => Ok(()),
    }
}

/// Writes text.
///
/// # Errors
///
/// As [`stream`].
pub fn text(text: &str) -> Result<(), Failure> {
    stream(|out| out.write_all(text.as_bytes()))
}

/// Writes a value as JSON with an indent of two, and a line break.
///
/// # Errors
///
/// As [`stream`].
pub fn json(value: &impl Serialize) -> Result<(), Failure> {
    stream(|out| {
        serde_json::to_writer_pretty(&mut *out, value).map_err(io::Error::from)?;
        out.write_all(b"\n")
    })
}
