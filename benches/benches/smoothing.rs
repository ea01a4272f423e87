//! One step of the constant-velocity smoother, forwards and back: 10,000 fixes at 6 Hz.

#![expect(clippy::expect_used, reason = "a bench that cannot start must stop")]

use std::hint::black_box;
use std::time::Duration;

use alvine::smoother::{ConstantVelocity, Measurement};
use alvine::{FixOptions, FixSolver};
use alvine_benches::{NO_FLOOR_DBM, instants, setup};
use criterion::{Criterion, SamplingMode, Throughput, criterion_group, criterion_main};

const STEPS: usize = 10_000;

fn smoothing(criterion: &mut Criterion) {
    let setup = setup(NO_FLOOR_DBM).expect("a possible setup");
    let solver = FixSolver::new(&setup, FixOptions::default()).expect("possible options");
    let mut work = solver.workspace();
    let measurements: Vec<Option<Measurement>> = instants(&setup, STEPS, 2)
        .expect("possible readings")
        .iter()
        .map(|levels| {
            let fix = solver.fix_with(levels.iter().copied(), &mut work)?;
            Some(Measurement {
                position_mm: fix.position_mm,
                covariance_mm2: fix.bounded_covariance_mm2(&setup.space()),
            })
        })
        .collect();
    let time_s: Vec<f64> = (0..STEPS).map(|step| step as f64 / 6.0).collect();
    let smoother = ConstantVelocity::default();
    let mut group = criterion.benchmark_group("smoothing");
    group.sampling_mode(SamplingMode::Flat);
    group.throughput(Throughput::Elements(STEPS as u64));
    group.bench_function("constant velocity", |bencher| {
        bencher.iter(|| black_box(smoother.smooth(&time_s, &measurements)));
    });
    group.finish();
}

criterion_group! {
    name = benches;
    config = Criterion::default().sample_size(10).warm_up_time(Duration::from_secs(1)).measurement_time(Duration::from_secs(3));
    targets = smoothing
}
criterion_main!(benches);
