//! The landmarks of 12 h at 6 Hz from a track that is there.

#![expect(clippy::expect_used, reason = "a bench that cannot start must stop")]

use std::hint::black_box;
use std::time::Duration;

use alvine::{FixThenSmooth, TrackEstimator};
use alvine_benches::day;
use alvine_transit::segment;
use criterion::{Criterion, criterion_group, criterion_main};

fn segmentation(criterion: &mut Criterion) {
    let day = day().expect("a possible day");
    let track = FixThenSmooth::default()
        .estimate(&day.setup, &day.recording, &[], &|_| ())
        .expect("a track");
    criterion.bench_function("segmentation/12 h at 6 Hz", |bencher| {
        bencher.iter(|| black_box(segment(&day.setup, &day.recording, &track, &[])));
    });
}

criterion_group! {
    name = benches;
    config = Criterion::default().sample_size(10).warm_up_time(Duration::from_secs(1)).measurement_time(Duration::from_secs(5));
    targets = segmentation
}
criterion_main!(benches);
