//! `watch`: an examination while it is being recorded.

use std::fs;
use std::io::{self, BufRead, Write};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::mpsc::RecvTimeoutError;
use std::time::{Duration, Instant};

use alvine_dayplan::PlanRecord;
use alvine_study::{Fault, LiveRows, LiveStudy, read_live_study};
use thiserror::Error;

use crate::args::WatchArgs;
use crate::outcome::{Failure, Outcome};
use crate::watch::display::Display;
use crate::watch::journal::{EventLog, EventLogError, Journal, json};
use crate::watch::source::{Incoming, Opened, Source, open};
use crate::watch::{Due, Event, WatchError, Watcher};

/// How often the panel is looked after while no rows come.
const TICK: Duration = Duration::from_millis(250);

/// Why an examination is not watched any more, or never was.
#[derive(Debug, Error)]
pub enum WatchFailure {
    /// `--from` that is no source.
    #[error(
        "--from {found}: is no source; expected a file, - for standard input, or tcp:ADDRESS:PORT such as tcp:127.0.0.1:7700"
    )]
    NoSource {
        /// What was given.
        found: String,
    },
    /// A socket that other machines could reach.
    #[error(
        "--from tcp:{address}: other machines could connect there; expected an address of this machine alone, such as 127.0.0.1, or --allow-remote"
    )]
    NotLoopback {
        /// The address.
        address: SocketAddr,
    },
    /// The source cannot be read any more.
    #[error("{source_name}: cannot be read: {source}")]
    Read {
        /// What was read.
        source_name: String,
        /// What the system said.
        source: io::Error,
    },
    /// A feed that begins otherwise than the recording that it should go on.
    #[error("{}: its header differs from that of the feed", recording.display())]
    OtherHeader {
        /// The recording.
        recording: PathBuf,
    },
    /// A day plan that is none.
    #[error("{}: is no day plan: {why}", file.display())]
    NoPlan {
        /// The file.
        file: PathBuf,
        /// Why not.
        why: String,
    },
    /// The engine cannot run.
    #[error(transparent)]
    Watch(#[from] WatchError),
    /// Events cannot be written.
    #[error(transparent)]
    Events(#[from] EventLogError),
}

impl WatchFailure {
    /// How the process ends.
    pub fn outcome(&self) -> Outcome {
        match self {
            WatchFailure::NoSource { .. } | WatchFailure::NotLoopback { .. } => Outcome::Usage,
            WatchFailure::Read { .. } | WatchFailure::Events(EventLogError::Io { .. }) => Outcome::Unreachable,
            _ => Outcome::Faulty,
        }
    }
}

/// Watches until the source ends, or the examination.
pub fn run(args: &WatchArgs, quiet: bool) -> Result<(), Failure> {
    let live = read_live_study(&args.study)?;
    let source = source(args, &live)?;
    let due = args
        .plan
        .as_deref()
        .map_or(Ok(Due::default()), |plan| read_plan(plan, &live))?;
    let watcher = Watcher::new(&live, due, super::prior::read(&args.prior)?).map_err(WatchFailure::from)?;
    let told = Told::new(args, quiet, matches!(source, Source::File { .. }))?;
    let mut session = Session {
        live: &live,
        watcher,
        told,
        journal: None,
        rows: None,
        header: None,
        line: 0,
        repeats: false,
    };
    if !matches!(source, Source::File { .. }) {
        session.read_again()?;
    }
    session.watch(&source, args)
}

fn source(args: &WatchArgs, live: &LiveStudy) -> Result<Source, WatchFailure> {
    let once = args.once;
    match args.from.as_deref() {
        None => Ok(Source::File {
            file: live.recording.clone(),
            once,
        }),
        Some("-") => Ok(Source::Stdin),
        Some(text) => match text.strip_prefix("tcp:") {
            None if text.is_empty() => Err(WatchFailure::NoSource { found: text.to_owned() }),
            None => Ok(Source::File {
                file: PathBuf::from(text),
                once,
            }),
            Some(address) => {
                let address: SocketAddr = address
                    .parse()
                    .map_err(|_| WatchFailure::NoSource { found: text.to_owned() })?;
                if !address.ip().is_loopback() && !args.allow_remote {
                    return Err(WatchFailure::NotLoopback { address });
                }
                Ok(Source::Tcp(address))
            }
        },
    }
}

fn read_plan(file: &Path, live: &LiveStudy) -> Result<Due, Failure> {
    let text = fs::read_to_string(file).map_err(|source| Failure::Read {
        file: file.to_owned(),
        source,
    })?;
    let no_plan = |why: String| WatchFailure::NoPlan {
        file: file.to_owned(),
        why,
    };
    let plan: PlanRecord = serde_json::from_str(&text).map_err(|error| no_plan(error.to_string()))?;
    let why = "its moments cannot be read, or the study does not say when it began ([study] started)";
    Ok(Due::of(&plan, live).ok_or_else(|| no_plan(why.to_owned()))?)
}

/// Where events go.
struct Told {
    log: Option<EventLog>,
    on_stdout: bool,
    display: Option<Display>,
}

impl Told {
    fn new(args: &WatchArgs, quiet: bool, meets_refused: bool) -> Result<Self, WatchFailure> {
        let on_stdout = args.events.as_deref() == Some(Path::new("-"));
        let file = args.events.as_deref().filter(|_| !on_stdout);
        Ok(Self {
            log: file.map(|file| EventLog::open(file, meets_refused)).transpose()?,
            on_stdout,
            display: (!quiet && !on_stdout).then(Display::new),
        })
    }

    fn tell(&mut self, events: &[Event]) -> Result<(), Failure> {
        if let Some(log) = &mut self.log {
            log.write(events).map_err(WatchFailure::from)?;
        }
        self.show(events)
    }

    /// Tells what does not come again with the rows.
    fn tell_once(&mut self, event: &Event) -> Result<(), Failure> {
        if let Some(log) = &mut self.log {
            log.write_once(event).map_err(WatchFailure::from)?;
        }
        self.show(std::slice::from_ref(event))
    }

    fn show(&mut self, events: &[Event]) -> Result<(), Failure> {
        if self.on_stdout {
            let lines: String = events.iter().map(|event| format!("{}\n", json(event))).collect();
            let mut out = io::stdout().lock();
            out.write_all(lines.as_bytes())
                .and_then(|()| out.flush())
                .map_err(|source| Failure::Stdout { source })?;
        }
        match &mut self.display {
            Some(display) => display.tell(events).map_err(|source| Failure::Stdout { source }),
            None => Ok(()),
        }
    }
}

/// A run of the command.
struct Session<'a> {
    live: &'a LiveStudy,
    watcher: Watcher<'a>,
    told: Told,
    /// Where rows of a feed are kept; `None` for a file.
    journal: Option<Journal>,
    rows: Option<LiveRows>,
    /// The header of the recording.
    header: Option<String>,
    /// Lines of the recording or the feed so far.
    line: usize,
    /// Whether rows may come that are there already: a feed that begins anew.
    repeats: bool,
}

impl Session<'_> {
    /// Reads what a feed brought before, from the recording.
    fn read_again(&mut self) -> Result<(), Failure> {
        let file = self.live.recording.clone();
        let failed = |source| Failure::Read {
            file: file.clone(),
            source,
        };
        let (journal, mut lines) = Journal::open(&file).map_err(failed)?;
        let mut line = String::new();
        while lines.read_line(&mut line).map_err(failed)? > 0 {
            let events = self.line(line.trim_end_matches(['\n', '\r']))?.events;
            self.told.tell(&events)?;
            line.clear();
        }
        self.journal = Some(journal);
        Ok(())
    }

    fn watch(&mut self, source: &Source, args: &WatchArgs) -> Result<(), Failure> {
        let name = match source {
            Source::File { file, .. } => file.display().to_string(),
            Source::Stdin => "standard input".to_owned(),
            Source::Tcp(address) => address.to_string(),
        };
        let failed = |source| WatchFailure::Read {
            source_name: name.clone(),
            source,
        };
        let Opened {
            incoming,
            last_s,
            address,
        } = open(source).map_err(failed)?;
        if let Some(address) = address {
            // For whoever starts both ends; on the error stream, as events may have the other.
            let _ = writeln!(io::stderr(), "listening at {address}");
        }
        let _ = last_s.send(self.watcher.now_s());
        let idle = Duration::from_secs(60 * u64::from(args.idle_min));
        let mut last_row = Instant::now();
        loop {
            match incoming.recv_timeout(TICK) {
                Ok(Incoming::Lines(lines)) => {
                    self.lines(&lines)?;
                    last_row = Instant::now();
                }
                Ok(Incoming::Began) => self.begin_feed(),
                Ok(Incoming::Broke { cut }) => {
                    if cut {
                        let event = self.watcher.refused(self.line + 1, "it was cut off".to_owned());
                        self.told.tell_once(&event)?;
                    }
                    let _ = last_s.send(self.watcher.now_s());
                }
                Ok(Incoming::End) | Err(RecvTimeoutError::Disconnected) => return self.close(),
                Ok(Incoming::Failed(error)) => return Err(failed(error).into()),
                Err(RecvTimeoutError::Timeout) if last_row.elapsed() >= idle => {
                    if let Some(event) = self.watcher.no_more_rows() {
                        self.told.tell_once(&event)?;
                    }
                }
                Err(RecvTimeoutError::Timeout) => {}
            }
            self.draw()?;
            if args.until_end && self.watcher.has_ended() {
                return self.close();
            }
        }
    }

    fn close(&mut self) -> Result<(), Failure> {
        match &mut self.told.display {
            Some(display) => display
                .finish(&self.watcher.view())
                .map_err(|source| Failure::Stdout { source }),
            None => Ok(()),
        }
    }

    fn draw(&mut self) -> Result<(), Failure> {
        match &mut self.told.display {
            Some(display) => display
                .draw(&self.watcher.view())
                .map_err(|source| Failure::Stdout { source }),
            None => Ok(()),
        }
    }

    /// The next line is a header, and rows may come that are there already.
    fn begin_feed(&mut self) {
        self.line = 0;
        self.repeats = self.rows.is_some();
    }

    /// Takes lines: first into the recording, where they come from a feed, and then what they bring is told.
    fn lines(&mut self, lines: &[String]) -> Result<(), Failure> {
        let mut kept = String::new();
        let mut events = Vec::new();
        for text in lines {
            let taken = self.line(text)?;
            if taken.keep {
                kept.push_str(text);
                kept.push('\n');
            }
            events.extend(taken.events);
        }
        if let Some(journal) = &mut self.journal {
            let recording = &self.live.recording;
            journal.write(&kept).map_err(|source| Failure::Write {
                file: recording.clone(),
                source,
            })?;
        }
        self.told.tell(&events)
    }

    /// Takes one line.
    fn line(&mut self, text: &str) -> Result<Taken, Failure> {
        self.line += 1;
        let mut taken = Taken::default();
        let Some(rows) = self.rows.as_mut() else {
            self.rows = Some(LiveRows::new(&self.live.recording, &self.live.setup.layout, text)?);
            self.header = Some(text.to_owned());
            taken.keep = true;
            return Ok(taken);
        };
        if self.repeats && self.line == 1 {
            if self.header.as_deref() != Some(text) {
                let recording = self.live.recording.clone();
                return Err(WatchFailure::OtherHeader { recording }.into());
            }
            return Ok(taken);
        }
        match rows.row(self.line, text) {
            Ok(Some(row)) => {
                self.repeats = false;
                self.watcher.row(&row, &mut taken.events);
                taken.keep = true;
            }
            Ok(None) => {}
            Err(error) if self.repeats && matches!(error.fault(), Fault::TimeNotIncreasing { .. }) => {}
            Err(error) => taken
                .events
                .push(self.watcher.refused(self.line, error.fault().to_string())),
        }
        Ok(taken)
    }
}

/// What became of a line.
#[derive(Default)]
struct Taken {
    /// Whether it belongs into the recording.
    keep: bool,
    events: Vec<Event>,
}
