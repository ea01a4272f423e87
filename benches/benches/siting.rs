//! The antenna bench: a survey of the whole abdomen, its rivals, the trials, and a design of eight sites.

#![expect(clippy::expect_used, reason = "a bench that cannot start must stop")]

use std::hint::black_box;
use std::time::Duration;

use alvine::Torso;
use alvine::siting::{
    Criterion, Design, DesignSpace, Objective, RivalOptions, SurveyOptions, TrialOptions, Volume, rivals, survey,
    trials,
};
use alvine_study::usual_setup;
use criterion::{Criterion as Bench, SamplingMode, Throughput, criterion_group, criterion_main};

fn surveys(bench: &mut Bench) {
    let setup = usual_setup(&Torso::new(330.0, 230.0).expect("a torso")).expect("a possible setup");
    let volume = Volume::new(setup.torso, 5.0).expect("a possible spacing");
    let mut group = bench.benchmark_group("survey");
    group.sampling_mode(SamplingMode::Flat);
    group.throughput(Throughput::Elements(volume.len() as u64));
    group.bench_function("5 mm, eight sites, all threads", |bencher| {
        bencher.iter(|| black_box(survey(&setup, volume.clone(), &SurveyOptions::default())));
    });
    group.bench_function("rivals, 20 mm, all threads", |bencher| {
        bencher.iter(|| black_box(rivals(&setup, &RivalOptions::default())));
    });
    group.bench_function("10 000 trials, all threads", |bencher| {
        bencher.iter(|| black_box(trials(&setup, &TrialOptions::new(10_000, 1), &|_| {})));
    });
    group.finish();
}

fn designs(bench: &mut Bench) {
    let setup = usual_setup(&Torso::new(330.0, 230.0).expect("a torso")).expect("a possible setup");
    let mut group = bench.benchmark_group("design of eight sites");
    group.sampling_mode(SamplingMode::Flat);
    for (name, criterion, survive_loss) in [
        ("mean", Criterion::Mean, false),
        ("95th percentile", Criterion::Percentile95, false),
        ("mean after a loss", Criterion::Mean, true),
    ] {
        let objective = Objective {
            criterion,
            survive_loss,
            ..Objective::default()
        };
        group.bench_function(name, |bencher| {
            bencher.iter(|| {
                let design = Design::new(&setup, DesignSpace::default(), objective).expect("a possible problem");
                black_box(design.place(8, &|_| {}))
            });
        });
    }
    group.finish();
}

criterion_group! {
    name = benches;
    config = Bench::default().sample_size(10).warm_up_time(Duration::from_secs(1)).measurement_time(Duration::from_secs(3));
    targets = surveys, designs
}
criterion_main!(benches);
