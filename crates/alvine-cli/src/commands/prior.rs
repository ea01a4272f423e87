//! A prior by its name or from its file, and `fit-priors`: one learned from studies.

use std::fs;
use std::path::{Path, PathBuf};

use alvine_audit::find_studies;
use alvine_study::read_study;
use alvine_transit::Prior;
use alvine_transit::prior::{Lesson, ReadPassage, ReadSignal, RhythmLesson};

use super::write_whole;
use crate::args::FitPriorsArgs;
use crate::outcome::Failure;
use crate::plain_text::paragraph;
use crate::progress::Progress;
use crate::stdout;

/// The prior that is built in by this name, or that of a file.
pub fn read(name_or_file: &str) -> Result<Prior, Failure> {
    if let Some(prior) = Prior::named(name_or_file) {
        return Ok(prior);
    }
    let file = PathBuf::from(name_or_file);
    let text = match fs::read_to_string(&file) {
        Ok(text) => text,
        Err(source) => return Err(Failure::ReadPrior { file, source }),
    };
    Prior::from_toml(&text).map_err(|error| Failure::Prior {
        file,
        error: Box::new(error),
    })
}

/// Learns a prior, writes it and says what it holds.
pub fn fit(args: &FitPriorsArgs, quiet: bool) -> Result<(), Failure> {
    if args.out.exists() && !args.force {
        return Err(Failure::Exists { file: args.out.clone() });
    }
    let base = read(&args.prior)?;
    let stem = args
        .out
        .file_stem()
        .map_or_else(|| "learned".into(), |stem| stem.to_string_lossy());
    let progress = Progress::new(quiet);
    let (studies, signals): (Vec<_>, Vec<_>) = seen(&args.studies, &base, &progress)?.into_iter().unzip();
    let learned = base
        .learn(args.name.as_deref().unwrap_or(&stem), &studies)
        .learn_signals(&signals);
    write_whole(&args.out, learned.to_toml().as_bytes())?;
    drop(progress);
    if quiet {
        return Ok(());
    }
    let mut text = format!("{}: learned from {} studies\n", args.out.display(), studies.len());
    for lesson in learned.lessons() {
        text.push_str(&paragraph(&words(lesson, base.name()), 4));
    }
    for lesson in learned.rhythm_lessons() {
        text.push_str(&paragraph(&rhythm_words(lesson, base.name()), 4));
    }
    stdout::text(&text)
}

/// The studies as their readers saw them, and what their signals say of rhythms.
fn seen(paths: &[PathBuf], base: &Prior, progress: &Progress) -> Result<Vec<(ReadPassage, ReadSignal)>, Failure> {
    progress.begin("learning");
    let mut files = Vec::new();
    for path in paths {
        files.extend(studies_at(path)?);
    }
    let mut all = Vec::with_capacity(files.len());
    for (done, file) in files.iter().enumerate() {
        let study = read_study(file)?;
        let time_s = study.recording.time_s();
        let passage = ReadPassage {
            start_s: time_s[0],
            end_s: time_s[time_s.len() - 1],
            swallowed_s: study.swallowed_s,
            landmarks: study.landmarks,
        };
        let signal = ReadSignal::new(&study.setup, &study.recording, &passage, base);
        all.push((passage, signal));
        progress.reach((done + 1) as f64 / files.len() as f64);
    }
    Ok(all)
}

/// A study, or those in a folder.
fn studies_at(path: &Path) -> Result<Vec<PathBuf>, Failure> {
    if !path.is_dir() || path.join("study.toml").is_file() {
        return Ok(vec![path.to_owned()]);
    }
    let found = find_studies(path, None).map_err(|(file, source)| Failure::Read { file, source })?;
    if found.is_empty() {
        return Err(Failure::NoStudies {
            folder: path.to_owned(),
        });
    }
    Ok(found.into_iter().map(|found| found.path).collect())
}

fn words(lesson: &Lesson, kept: &str) -> String {
    let seen = format!(
        "{}: seen to its end in {} studies, not in {}",
        lesson.part.as_str(),
        lesson.ended,
        lesson.not_ended
    );
    let Some(fitted) = &lesson.fitted else {
        return format!("{seen}; too few, as in `{kept}`");
    };
    let minutes = |seconds: f64| format!("{:.1}", seconds / 60.0);
    let [low_s, high_s] = fitted.median90_s;
    let [low, high] = fitted.spread90_ln;
    format!(
        "{seen}; median {} ({} to {}) min, spread of the logarithm {:.2} ({low:.2} to {high:.2})",
        minutes(fitted.law.median_s()),
        minutes(low_s),
        minutes(high_s),
        fitted.law.spread_ln(),
    )
}

fn rhythm_words(lesson: &RhythmLesson, kept: &str) -> String {
    let seen = format!("rhythm of {}: in {} studies", lesson.band, lesson.studies);
    let Some(learned) = &lesson.per_minute else {
        return format!("{seen}; too few, as in `{kept}`");
    };
    let [low, high] = learned.interval90;
    format!(
        "{seen}; {:.2} ({low:.2} to {high:.2}) a minute, spread {:.2}",
        learned.value, learned.spread
    )
}
