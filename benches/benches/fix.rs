//! One fix: 1000 instants of eight sites, at one thread.

#![expect(clippy::expect_used, reason = "a bench that cannot start must stop")]

use std::hint::black_box;
use std::time::Duration;

use alvine::{FixOptions, FixSolver, Level, Loss};
use alvine_benches::{NO_FLOOR_DBM, instants, setup};
use criterion::{Criterion, SamplingMode, Throughput, criterion_group, criterion_main};

fn fixes(criterion: &mut Criterion) {
    let everything = setup(NO_FLOOR_DBM).expect("a possible setup");
    // Hides about four readings in ten.
    let floored = setup(-92.0).expect("a possible setup");
    let readings = instants(&everything, 1000, 1).expect("possible readings");
    let known = |loss| FixOptions {
        loss,
        ..FixOptions::default()
    };
    let level = FixOptions {
        level: Level::Unknown { prior_db: Some(2.0) },
        ..FixOptions::default()
    };
    let mut group = criterion.benchmark_group("fix");
    group.sampling_mode(SamplingMode::Flat);
    group.throughput(Throughput::Elements(readings.len() as u64));
    for (name, setup, options) in [
        ("squares", &everything, known(Loss::Squares)),
        ("huber", &everything, known(Loss::HUBER)),
        ("huber, level with a prior", &everything, level),
        ("huber, level with a prior, sites below the floor", &floored, level),
    ] {
        let solver = FixSolver::new(setup, options).expect("possible options");
        let mut work = solver.workspace();
        group.bench_function(name, |bencher| {
            bencher.iter(|| {
                for levels in &readings {
                    black_box(solver.fix_with(levels.iter().copied(), &mut work));
                }
            });
        });
    }
    group.finish();
}

criterion_group! {
    name = benches;
    config = Criterion::default().sample_size(10).warm_up_time(Duration::from_secs(1)).measurement_time(Duration::from_secs(3));
    targets = fixes
}
criterion_main!(benches);
