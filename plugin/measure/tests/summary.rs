//! A clip's summary against its windows and against the same frames in one window.

mod support;

use noise_measure::ar1;
use noise_measure::format::{Channel, Model, Scan};
use noise_measure::meter::{Carry, FrameTags};
use noise_measure::record::{Note, NoteCode, WindowRecord};
use noise_measure::region::Rect;
use noise_measure::summary::summarize;
use support::{Picture, Random, Setup, noisy, region};

/// Measures pictures in windows of `length` frames.
fn measured(setup: &Setup, pictures: &[Picture], length: usize) -> Vec<WindowRecord> {
    let (mut meter, mut carry) = (setup.meter(), Carry::default());
    let mut all = Vec::new();
    for (index, window) in pictures.chunks(length).enumerate() {
        for picture in window {
            setup.add(&mut meter, picture, 0, FrameTags::default());
        }
        let closed = meter.close().expect("frames came");
        all.push(closed.evaluate(&mut carry, setup.info(index as u64)));
    }
    all
}

fn y(record: &WindowRecord) -> &noise_measure::record::ComponentRecord {
    record.regions[0].components.get(Channel::Y).expect("luma")
}

fn close(name: &str, a: Option<f64>, b: Option<f64>) {
    match (a, b) {
        (Some(a), Some(b)) => assert!((a - b).abs() <= 1e-9 * b.abs().max(1e-9), "{name}: {a} {b}"),
        (a, b) => assert_eq!(a, b, "{name}"),
    }
}

#[test]
fn the_summary_of_one_window_is_that_window() {
    for model in [Model::Gray, Model::Yuv, Model::Rgb] {
        let setup = Setup::new(model, 64, 60, 10).grid(2, 3);
        let windows = measured(&setup, &noisy(&setup, 1, 20, 400.0, 4.0), 20);
        let summary = summarize(&windows).unwrap();
        let window = &windows[0];
        assert_eq!(summary.frame, window.frame);
        for ((_, a), (_, b)) in summary.regions[0].components.iter().zip(window.regions[0].components.iter())
        {
            close("mean", a.mean, b.mean);
            assert_eq!(a.codes, b.codes);
            for (name, a, b) in [
                ("temporal", a.temporal, b.temporal),
                ("codes", a.temporal_codes, b.temporal_codes),
                ("pair", a.temporal_pair, b.temporal_pair),
                ("long", a.temporal_long, b.temporal_long),
                ("fixed", a.fixed, b.fixed),
                ("fixed_row", a.fixed_row, b.fixed_row),
                ("row", a.row, b.row),
                ("column", a.column, b.column),
                ("shading", a.shading, b.shading),
                ("total", a.total, b.total),
                ("corr_x", a.corr_x, b.corr_x),
                ("corr_y", a.corr_y, b.corr_y),
                ("corr_t", a.corr_t, b.corr_t),
                ("flicker", a.var.flicker, b.var.flicker),
                ("drift", a.drift, b.drift),
                ("low", a.temporal_ci.map(|ci| ci[0]), b.temporal_ci.map(|ci| ci[0])),
                ("high", a.temporal_long_ci.map(|ci| ci[1]), b.temporal_long_ci.map(|ci| ci[1])),
            ] {
                close(name, a, b);
            }
        }
        let (a, b) = (summary.regions[0].light.as_ref().unwrap(), window.regions[0].light.as_ref().unwrap());
        close("snr", a.snr_temporal_db, b.snr_temporal_db);
        close("chroma", summary.regions[0].chroma_ratio, window.regions[0].chroma_ratio);
        assert_eq!(summary.regions[0].notes, window.regions[0].notes);
        assert_eq!(summary.trend.as_ref().unwrap().len(), 1);
        let grid = (summary.grid.unwrap(), window.grid.as_ref().unwrap());
        for ((_, a), (_, b)) in grid.0.components.iter().zip(grid.1.components.iter()) {
            assert_eq!(a.codes, b.codes);
            a.temporal_pair.iter().zip(&b.temporal_pair).for_each(|(a, b)| close("cell", *a, *b));
        }
    }
}

#[test]
fn variances_are_pooled_signed_with_their_degrees_of_freedom() {
    let setup = Setup::new(Model::Gray, 32, 32, 10).grid(1, 1);
    let mut pictures = noisy(&setup, 2, 10, 400.0, 2.0);
    pictures.extend(noisy(&setup, 3, 5, 420.0, 6.0));
    let windows = measured(&setup, &pictures, 10);
    let summary = summarize(&windows).unwrap();
    let (a, b) = (y(&windows[0]), y(&windows[1]));
    let want = (9.0 * a.var.temporal.unwrap() + 4.0 * b.var.temporal.unwrap()) / 13.0;
    close("temporal", y(&summary).var.temporal, Some(want));
    let pair = |a: Option<f64>, b: Option<f64>| Some(((9.0 * a?.powi(2) + 4.0 * b?.powi(2)) / 13.0).sqrt());
    close("pair", y(&summary).temporal_pair, pair(a.temporal_pair, b.temporal_pair));
    let cell = |record: &WindowRecord| {
        let columns = record.grid.as_ref().and_then(|grid| grid.components.get(Channel::Y));
        columns.expect("luma cells").temporal_pair[0]
    };
    close("cell", cell(&summary), pair(cell(&windows[0]), cell(&windows[1])));
    close("mean", y(&summary).mean, Some((10.0 * a.mean.unwrap() + 5.0 * b.mean.unwrap()) / 15.0));
    assert_eq!(y(&summary).frame_means.len(), 15);
    // White noise without a pattern: the fixed variance is as often negative as not, and pooled as it is.
    let fixed = (9.0 * a.var.fixed.unwrap() + 4.0 * b.var.fixed.unwrap()) / 13.0;
    close("fixed", y(&summary).var.fixed, Some(fixed));
    assert_eq!(y(&summary).fixed.is_none(), fixed <= 0.0);
    assert_eq!(y(&summary).fixed_upper.is_some(), fixed <= 0.0);
}

#[test]
fn noise_that_rows_share_is_not_taken_off_slow_noise_twice() {
    let setup = Setup::new(Model::Gray, 48, 6, 12);
    let mut random = Random(6);
    let pictures: Vec<Picture> = (0..24)
        .map(|_| {
            let rows: Vec<f64> = (0..6).map(|_| 40.0 * random.normal()).collect();
            let code = |i: usize, random: &mut Random| 2000.0 + rows[i / 48] + 4.0 * random.normal();
            vec![(0..48 * 6).map(|i| code(i, &mut random).round() as u16).collect()]
        })
        .collect();
    let windows = measured(&setup, &pictures, 6);
    // Variance of every pixel's window means about the region's, over windows; divisor (4 − 1)(288 − 1).
    let images: Vec<Vec<f64>> = pictures
        .chunks(6)
        .map(|window| {
            let image: Vec<f64> =
                (0..288).map(|i| window.iter().map(|p| f64::from(p[0][i])).sum::<f64>() / 6.0).collect();
            let level = image.iter().sum::<f64>() / 288.0;
            image.iter().map(|pixel| pixel - level).collect()
        })
        .collect();
    let mean: Vec<f64> = (0..288).map(|i| images.iter().map(|image| image[i]).sum::<f64>() / 4.0).collect();
    let squares: f64 =
        images.iter().flat_map(|image| image.iter().zip(&mean)).map(|(a, b)| (a - b).powi(2)).sum();
    // The region's own level is out of them, and of `temporal` too; a sample's variance still has it.
    let stack = [ar1::Stack { weight: 287.0, frames: 6 }];
    let recursive = windows.iter().filter(|window| y(window).temporal_long.is_some()).count();
    assert!(recursive > 0, "no window whose frames a recursion explains");
    let explained: f64 = windows
        .iter()
        .map(|window| {
            let record = y(window);
            // Where the recursion does not explain the frames, they count as independent.
            let a = record.corr_t.filter(|_| record.temporal_long.is_some());
            let left = a.map_or(1.0 / 6.0, |a| ar1::mean_factor(6, a) / ar1::long_factor(&stack, a));
            record.var.temporal.expect("noise") * left
        })
        .sum();
    let want = squares / (3.0 * 287.0) - explained / 4.0;
    // Two large numbers that all but cancel: to 1e-9 of either.
    let got = y(&windows[3]).var.slow.expect("four windows");
    assert!((got - want).abs() < 1e-9 * explained, "{got} {want}");
}

#[test]
fn pulsing_noise_widens_the_interval() {
    let setup = Setup::new(Model::Gray, 48, 48, 10);
    let steady: Vec<_> = (0..8).flat_map(|k| noisy(&setup, 10 + k, 8, 400.0, 4.0)).collect();
    let pulsing: Vec<_> =
        (0..8).flat_map(|k| noisy(&setup, 10 + k, 8, 400.0, if k % 2 == 0 { 3.0 } else { 5.0 })).collect();
    let width = |pictures| {
        let record = summarize(&measured(&setup, pictures, 8)).unwrap();
        let [low, high] = y(&record).temporal_ci.unwrap();
        (high - low) / y(&record).temporal.unwrap()
    };
    // Two levels 3 and 5 in turn: variances 9 and 25 scatter by 8.55 about 17 over 8 windows; t₇ = 2.365 gives ±42 %
    // of the variance, ±21 % of the spread. Sampling alone: ±0.9 %.
    let (calm, pulse) = (width(&steady), width(&pulsing));
    assert!(calm < 0.05, "{calm}");
    assert!((0.35..0.52).contains(&pulse), "{pulse}");
}

#[test]
fn a_changed_format_is_left_out_and_said() {
    let (small, large) = (Setup::new(Model::Gray, 16, 16, 8), Setup::new(Model::Gray, 32, 32, 8));
    let mut windows = measured(&small, &noisy(&small, 4, 4, 100.0, 3.0), 4);
    windows.extend(measured(&large, &noisy(&large, 5, 9, 100.0, 3.0), 3));
    let summary = summarize(&windows).unwrap();
    assert_eq!(summary.frames, 9);
    assert!(summary.notes.iter().any(|note| note.code == NoteCode::FormatChanged));
    assert!(summarize(&[]).is_none());
}

#[test]
fn one_line_of_an_interlaced_picture_has_moving_noise() {
    let mut setup = Setup::new(Model::Gray, 40, 20, 8);
    setup.config.format.scan = Scan::Interleaved;
    for width in [2, 40] {
        setup.config.regions = vec![region("line", Rect { x: 0, y: 7, width, height: 1 })];
        let mut meter = setup.meter();
        for picture in noisy(&setup, 5, 12, 120.0, 6.0) {
            setup.add(&mut meter, &picture, 0, FrameTags::default());
        }
        let mut info = setup.info(0);
        info.video.interlace = "interleaved".to_owned();
        let window = meter.close().expect("frames came").evaluate(&mut Carry::default(), info);
        let summary = summarize(std::slice::from_ref(&window)).expect("one window");
        let [one, all] = [&window, &summary].map(|r| r.regions[0].components.get(Channel::Y).expect("luma"));
        assert_eq!(one.samples, u64::from(width));
        assert!(one.temporal.is_some(), "{one:?}");
        assert_eq!(one.temporal, all.temporal);
    }
}

/// Components of other depths than the format's: 5-6-5, a still ramp in which one pixel a frame is a code off.
#[test]
fn bounds_of_components_with_depths_of_their_own_are_those_of_the_windows() {
    let mut setup = Setup::new(Model::Rgb, 64, 16, 6);
    for component in &mut setup.config.format.components {
        component.depth = if component.channel == Channel::G { 6 } else { 5 };
    }
    let plane = |frame: usize, shift: usize| {
        (0..64 * 16usize).map(|i| ((i % 64) >> shift) as u16 ^ u16::from(i == 7 * frame)).collect()
    };
    let pictures: Vec<Picture> = (0..24).map(|l| vec![plane(l, 1), plane(l, 0), plane(l, 1)]).collect();
    let mut windows = measured(&setup, &pictures, 12);
    windows.iter_mut().for_each(|window| window.video.depth = 6);
    let summary = summarize(&windows).unwrap();
    for (channel, top) in [(Channel::R, 31.0), (Channel::G, 63.0), (Channel::B, 31.0)] {
        let bound = |record: &WindowRecord| record.regions[0].components.get(channel).unwrap().temporal_upper;
        close("window", bound(&windows[0]), Some(50.0 / top));
        close("summary", bound(&summary), Some(50.0 / top));
    }
}

#[test]
fn windows_that_cannot_tell_a_pair_leave_none_to_the_clip() {
    let mut setup = Setup::new(Model::Gray, 32, 32, 8).grid(1, 1);
    setup.config.full_set_share = Some(0.1);
    let mut pictures = noisy(&setup, 1, 8, 100.0, 2.0);
    // A tenth of a code: a sample changes now and then, far below half a step.
    pictures.extend(noisy(&setup, 2, 8, 100.25, 0.1));
    let windows = measured(&setup, &pictures, 8);
    let summary = summarize(&windows).expect("two windows");
    assert!(y(&windows[0]).temporal_pair.is_some() && y(&windows[1]).temporal_pair.is_none());
    assert_eq!(y(&summary).temporal_pair, None);
    for record in [&windows[1], &summary] {
        for notes in [&record.notes, &record.regions[0].notes] {
            assert!(notes.iter().any(|note| note.code == NoteCode::CodeLimited), "{notes:?}");
        }
    }
    assert_eq!(summary.grid.unwrap().components.get(Channel::Y).unwrap().temporal_pair, [None]);
}

#[test]
fn an_unknown_rate_is_taken_from_the_windows() {
    let setup = Setup::new(Model::Gray, 32, 32, 10);
    let mut windows = measured(&setup, &noisy(&setup, 3, 40, 400.0, 3.0), 20);
    let drift = |windows: &[WindowRecord]| y(&summarize(windows).unwrap()).drift.unwrap();
    let told = drift(&windows);
    // 20 frames a second by their lengths, where the caps said 25.
    windows.iter_mut().for_each(|window| window.video.framerate = "0/1".into());
    assert!((drift(&windows) / told - 20.0 / 25.0).abs() < 1e-9);
}

#[test]
fn frames_that_could_not_be_read_are_told_of_a_quick_look_too() {
    let setup = Setup::new(Model::Gray, 64, 60, 10);
    let mut windows = measured(&setup, &noisy(&setup, 3, 8, 400.0, 4.0), 4);
    for window in &mut windows {
        window.holes = 2;
        window.notes.push(Note::new(NoteCode::Subsampled, "one pair in five"));
        window.notes.push(Note::breaks(2));
    }
    let lost = Note::new(NoteCode::Dropped, "3 frames could not be read and are in no number");
    windows[1].notes.push(lost.clone());
    let notes = summarize(&windows).expect("windows of one format").notes;
    let dropped: Vec<_> = notes.iter().filter(|note| note.code == NoteCode::Dropped).collect();
    assert_eq!(dropped, [&lost], "breaks on purpose are none of the source");
}
