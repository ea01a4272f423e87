//! `dayplan`: what is due when on the day of an examination.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use alvine_dayplan::{
    Audience, DayPlan, Facts, MomentError, PlanError, PlanRecord, Protocol, ProtocolError, Sites, USUAL_PROTOCOL,
    calendar, moment, page, plan, text,
};
use alvine_study::{Staging, in_pseudonym};
use jiff::{SignedDuration, Timestamp, ZonedDateTime};
use thiserror::Error;

use crate::args::DayplanArgs;
use crate::outcome::Failure;
use crate::stdout;

/// Why no day was planned.
#[derive(Debug, Error)]
pub enum DayplanError {
    /// An option that names no moment.
    #[error("{option}: {error}")]
    Moment {
        /// The option as it is typed.
        option: &'static str,
        /// Why not.
        #[source]
        error: MomentError,
    },
    /// A protocol that is none.
    #[error("{}:{error}", file.display())]
    Protocol {
        /// The file.
        file: PathBuf,
        /// What is wrong with it, and where.
        #[source]
        error: ProtocolError,
    },
    /// A day that cannot be.
    #[error(transparent)]
    Plan(#[from] PlanError),
}

/// Prints the plan, and writes it where asked to.
pub fn run(args: &DayplanArgs, quiet: bool) -> Result<(), Failure> {
    if args.print_protocol {
        return stdout::text(USUAL_PROTOCOL);
    }
    if let Some(kind) = in_pseudonym(&args.id) {
        return Err(Failure::NoPseudonym {
            option: "--id",
            found: args.id.clone(),
            kind,
        });
    }
    let protocol = args.protocol.as_deref().map_or(Ok(Protocol::usual()), read_protocol)?;
    let facts = facts(args)?;
    let asked = facts
        .asked
        .as_ref()
        .map_or(Timestamp::UNIX_EPOCH, ZonedDateTime::timestamp);
    let plan = plan(&protocol, &facts).map_err(DayplanError::from)?;
    if let Some(out) = &args.out {
        write(&plan, &args.id, asked, out)?;
    }
    if args.json {
        return stdout::json(&PlanRecord::of(&plan));
    }
    if quiet {
        return Ok(());
    }
    stdout::text(&text(&plan))
}

/// Reads a protocol from its file.
fn read_protocol(file: &Path) -> Result<Protocol, Failure> {
    let text = fs::read_to_string(file).map_err(|source| Failure::Read {
        file: file.to_owned(),
        source,
    })?;
    Protocol::parse(&text).map_err(|error| {
        let file = file.to_owned();
        DayplanError::Protocol { file, error }.into()
    })
}

fn facts(args: &DayplanArgs) -> Result<Facts, Failure> {
    let zone = args.zone.as_deref();
    let swallow = at("--swallow", args.swallow.as_deref().unwrap_or_default(), zone)?;
    let beside = swallow.time_zone().iana_name().map(str::to_owned);
    let same_zone = |option, text: &str| at(option, text, beside.as_deref().filter(|_| !text.contains('[')));
    let asked = match args.now.as_deref() {
        None => Some(Timestamp::now().to_zoned_datetime(swallow.time_zone().clone())),
        Some("any") => None,
        Some(now) => Some(same_zone("--now", now)?),
    };
    Ok(Facts {
        sites: if args.sites == "belt" {
            Sites::Belt
        } else {
            Sites::Adhesive
        },
        battery: args.battery_h.map(battery).transpose()?,
        next_use: args
            .next_use
            .as_deref()
            .map(|text| same_zone("--next-use", text))
            .transpose()?,
        asked,
        swallow,
    })
}

fn at(option: &'static str, text: &str, zone: Option<&str>) -> Result<ZonedDateTime, DayplanError> {
    moment(text, zone).map_err(|error| DayplanError::Moment { option, error })
}

fn battery(hours: f64) -> Result<SignedDuration, Failure> {
    if !(0.5..=240.0).contains(&hours) {
        return Err(Failure::Option {
            option: "--battery-h",
            found: hours,
            expected: "0.5 to 240 h",
        });
    }
    Ok(SignedDuration::from_secs_f64((3600.0 * hours).round()))
}

fn write(plan: &DayPlan, id: &str, asked: Timestamp, out: &Path) -> Result<(), Failure> {
    let mut staging = Staging::new(out)?;
    let json = serde_json::to_string_pretty(&PlanRecord::of(plan)).map_err(|error| Failure::Write {
        file: out.join("dayplan.json"),
        source: io::Error::from(error),
    })?;
    for (name, content) in [
        ("dayplan.txt", text(plan)),
        ("dayplan.html", page(plan)),
        ("dayplan.ics", calendar(plan, Audience::Patient, id, asked)),
        ("dayplan-unit.ics", calendar(plan, Audience::Unit, id, asked)),
        ("dayplan.json", format!("{json}\n")),
    ] {
        let file = staging.path(name);
        fs::write(&file, content).map_err(|source| Failure::Write {
            file: out.join(name),
            source,
        })?;
    }
    Ok(staging.commit()?)
}
