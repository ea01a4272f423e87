//! The streaming twin on two hours at 6 Hz × 8 sites: time a row, blocks' ends included.

#![expect(clippy::expect_used, reason = "a bench that cannot start must stop")]

use std::hint::black_box;
use std::time::Duration;

use alvine::trajectory::{StreamingOptions, StreamingTrajectory};
use alvine_benches::day;
use criterion::{Criterion, SamplingMode, Throughput, criterion_group, criterion_main};

/// Two hours at 6 Hz.
const ROWS: usize = 2 * 3600 * 6;

fn streaming(criterion: &mut Criterion) {
    let day = day().expect("a possible day");
    let rows: Vec<Vec<f32>> = (0..ROWS).map(|row| day.recording.row(row).to_vec()).collect();
    let mut group = criterion.benchmark_group("streaming");
    group.sampling_mode(SamplingMode::Flat);
    group.throughput(Throughput::Elements(ROWS as u64));
    group.bench_function("a row at 6 Hz, lag 3 min", |bencher| {
        bencher.iter(|| {
            let mut stream =
                StreamingTrajectory::new(day.setup.clone(), StreamingOptions::default()).expect("a stream");
            for (levels, &time_s) in rows.iter().zip(day.recording.time_s()) {
                black_box(stream.take(time_s, levels).expect("a row"));
            }
            stream.finish()
        });
    });
    group.finish();
}

criterion_group! {
    name = benches;
    config = Criterion::default().sample_size(10).warm_up_time(Duration::from_secs(1)).measurement_time(Duration::from_secs(10));
    targets = streaming
}
criterion_main!(benches);
