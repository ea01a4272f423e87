//! Where rows come from: a growing file, standard input, or a TCP socket; lines in batches, whole lines only.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread;
use std::time::Duration;

/// Batches that wait to be worked on: a bound on memory.
const WAITING: usize = 16;
/// Bytes read at once.
const CHUNK: usize = 1 << 16;
/// No line is longer, bytes.
const LONGEST_LINE: usize = 1 << 17;
/// How often a file is looked at for more.
const LOOK_EVERY: Duration = Duration::from_millis(100);

/// Where rows come from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Source {
    /// A file that grows; to its present end alone where `once`.
    File {
        /// The file.
        file: PathBuf,
        /// Whether to stop at its end.
        once: bool,
    },
    /// Standard input, to its end.
    Stdin,
    /// A socket to listen at, one connection after the other.
    Tcp(SocketAddr),
}

/// What comes in.
#[derive(Debug)]
pub enum Incoming {
    /// Whole lines without their line breaks.
    Lines(Vec<String>),
    /// A feed begins anew: the next line is a header.
    Began,
    /// A feed ended; the last line was cut off where `cut`.
    Broke {
        /// Whether something was left over that is no whole line.
        cut: bool,
    },
    /// Nothing comes any more.
    End,
    /// Reading failed.
    Failed(io::Error),
}

/// An opened source.
#[derive(Debug)]
pub struct Opened {
    /// What comes in.
    pub incoming: Receiver<Incoming>,
    /// Where to say, before a connection is taken, up to which time rows are there already.
    pub last_s: SyncSender<Option<f64>>,
    /// The address that is listened at.
    pub address: Option<SocketAddr>,
}

/// Opens a source; a thread of its own reads it.
pub fn open(source: &Source) -> io::Result<Opened> {
    let (send, incoming) = sync_channel(WAITING);
    let (last_s, told_last_s) = sync_channel(1);
    let mut address = None;
    match source.clone() {
        Source::File { file, once } => {
            thread::spawn(move || end(&send, follow(&file, once, &send)));
        }
        Source::Stdin => {
            thread::spawn(move || {
                let read = send_all(&send, Incoming::Began).and_then(|()| lines(io::stdin().lock(), &send));
                end(&send, read);
            });
        }
        Source::Tcp(at) => {
            let listener = TcpListener::bind(at)?;
            address = Some(listener.local_addr()?);
            thread::spawn(move || end(&send, listen(&listener, &send, &told_last_s)));
        }
    }
    Ok(Opened {
        incoming,
        last_s,
        address,
    })
}

/// Says how it ended. Where no one listens any more, no one is to be told.
fn end(send: &SyncSender<Incoming>, read: io::Result<()>) {
    let _ = send.send(match read {
        Ok(()) => Incoming::End,
        Err(error) => Incoming::Failed(error),
    });
}

fn send_all(send: &SyncSender<Incoming>, incoming: Incoming) -> io::Result<()> {
    send.send(incoming).map_err(|_| io::ErrorKind::BrokenPipe.into())
}

/// Takes one connection after the other. Each is greeted with the time of the last row that is there, so that its sender knows
/// where to go on.
fn listen(listener: &TcpListener, send: &SyncSender<Incoming>, told_last_s: &Receiver<Option<f64>>) -> io::Result<()> {
    while let Ok(last_s) = told_last_s.recv() {
        let (mut stream, _) = listener.accept()?;
        let greeting = last_s.map_or("last none\n".to_owned(), |last_s| format!("last {last_s}\n"));
        send_all(send, Incoming::Began)?;
        // A connection that breaks is one that ended; the next one may do better.
        let read = stream.write_all(greeting.as_bytes()).and_then(|()| lines(stream, send));
        if read.is_err() {
            send_all(send, Incoming::Broke { cut: true })?;
        }
    }
    Ok(())
}

/// The lines of a feed to its end.
fn lines(read: impl Read, send: &SyncSender<Incoming>) -> io::Result<()> {
    let mut read = BufReader::with_capacity(CHUNK, read);
    let mut rest = Vec::new();
    loop {
        let chunk = read.fill_buf()?;
        if chunk.is_empty() {
            return send_all(send, Incoming::Broke { cut: !rest.is_empty() });
        }
        rest.extend_from_slice(chunk);
        let length = chunk.len();
        read.consume(length);
        send_whole_lines(&mut rest, send)?;
    }
}

/// Sends the whole lines of what was read, and keeps the rest.
fn send_whole_lines(rest: &mut Vec<u8>, send: &SyncSender<Incoming>) -> io::Result<()> {
    if let Some(end) = rest.iter().rposition(|&byte| byte == b'\n') {
        let whole: Vec<u8> = rest.drain(..=end).collect();
        let batch = whole[..end].split(|&byte| byte == b'\n').map(text).collect();
        send_all(send, Incoming::Lines(batch))?;
    }
    if rest.len() > LONGEST_LINE {
        rest.clear();
        let message = format!("found a line of more than {LONGEST_LINE} bytes; expected rows of a recording");
        return Err(io::Error::other(message));
    }
    Ok(())
}

/// Bytes that are no UTF-8 are shown as such, and no row holds them.
fn text(line: &[u8]) -> String {
    String::from_utf8_lossy(line).trim_end_matches('\r').to_owned()
}

/// The lines of a file, and those that it gets.
fn follow(path: &Path, once: bool, send: &SyncSender<Incoming>) -> io::Result<()> {
    let mut file = loop {
        match File::open(path) {
            Ok(file) => break file,
            Err(error) if error.kind() == io::ErrorKind::NotFound && !once => thread::sleep(LOOK_EVERY),
            Err(error) => return Err(error),
        }
    };
    send_all(send, Incoming::Began)?;
    let mut rest = Vec::new();
    let mut chunk = vec![0; CHUNK];
    let mut read_so_far: u64 = 0;
    loop {
        let length = file.read(&mut chunk)?;
        if length > 0 {
            read_so_far += length as u64;
            rest.extend_from_slice(&chunk[..length]);
            send_whole_lines(&mut rest, send)?;
        } else if once {
            // The last line of a finished file need not have a line break.
            if !rest.is_empty() {
                send_all(send, Incoming::Lines(vec![text(&rest)]))?;
            }
            return Ok(());
        } else if file.metadata()?.len() < read_so_far {
            return Err(io::Error::other("became shorter while it was read"));
        } else {
            thread::sleep(LOOK_EVERY);
        }
    }
}
