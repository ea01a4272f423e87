//! A study of 12 h at 6 Hz × 8 sites from disk, out of either container.

#![expect(clippy::expect_used, reason = "a bench that cannot start must stop")]

use std::hint::black_box;
use std::time::Duration;

use alvine_benches::{day, study};
use alvine_study::{read_study, write_study_hdf5, write_study_toml};
use criterion::{Criterion, SamplingMode, Throughput, criterion_group, criterion_main};

fn reading(criterion: &mut Criterion) {
    let study = study(day().expect("a possible day"));
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (csv, hdf5) = (folder.path().join("study"), folder.path().join("study.h5"));
    write_study_toml(&study, &csv).expect("the study is written");
    write_study_hdf5(&study, &hdf5).expect("the study is written");
    let mut group = criterion.benchmark_group("reading");
    group.sampling_mode(SamplingMode::Flat);
    group.throughput(Throughput::Elements(study.recording.len() as u64));
    group.bench_function("12 h at 6 Hz, CSV", |bencher| {
        bencher.iter(|| black_box(read_study(&csv)))
    });
    group.bench_function("12 h at 6 Hz, HDF5", |bencher| {
        bencher.iter(|| black_box(read_study(&hdf5)))
    });
    group.finish();
}

criterion_group! {
    name = benches;
    config = Criterion::default().sample_size(10).warm_up_time(Duration::from_secs(1)).measurement_time(Duration::from_secs(4));
    targets = reading
}
criterion_main!(benches);
