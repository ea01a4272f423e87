//! From a recording of 12 h at 6 Hz × 8 sites to track and landmarks, on all threads.

#![expect(clippy::expect_used, reason = "a bench that cannot start must stop")]

use std::hint::black_box;
use std::time::Duration;

use alvine::{FixThenSmooth, TrackEstimator};
use alvine_benches::day;
use alvine_transit::segment;
use criterion::{Criterion, SamplingMode, Throughput, criterion_group, criterion_main};

fn pipeline(criterion: &mut Criterion) {
    let day = day().expect("a possible day");
    let mut group = criterion.benchmark_group("pipeline");
    // Ten runs of a few seconds each, and no more.
    group.sampling_mode(SamplingMode::Flat);
    group.throughput(Throughput::Elements(day.recording.len() as u64));
    group.bench_function("12 h at 6 Hz", |bencher| {
        bencher.iter(|| {
            let track = FixThenSmooth::default()
                .estimate(&day.setup, &day.recording, &[], &|_| ())
                .expect("a track");
            black_box(segment(&day.setup, &day.recording, &track, &[]))
        });
    });
    group.finish();
}

criterion_group! {
    name = benches;
    config = Criterion::default().sample_size(10).warm_up_time(Duration::from_secs(1)).measurement_time(Duration::from_secs(10));
    targets = pipeline
}
criterion_main!(benches);
