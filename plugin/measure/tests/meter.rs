//! The meter as a whole: what must not change a result, and what must.

mod support;

use noise_measure::Error;
use noise_measure::format::{Channel, Model, Sampling, Scan};
use noise_measure::meter::{Carry, FrameTags};
use noise_measure::record::{NoteCode, WindowRecord};
use noise_measure::region::Rect;
use noise_measure::summary::summarize;
use noise_measure::view::{ComponentView, Packing, Placement, Word};
use support::{Picture, Random, Setup, noisy, region};

fn json(record: &WindowRecord) -> String {
    serde_json::to_string(record).expect("a record is JSON")
}

fn measure(
    setup: &Setup,
    pictures: &[Picture],
    pad: usize,
    tags: impl Fn(usize) -> FrameTags,
) -> WindowRecord {
    let mut meter = setup.meter();
    for (l, picture) in pictures.iter().enumerate() {
        setup.add(&mut meter, picture, pad, tags(l));
    }
    meter.close().expect("frames came").evaluate(&mut Carry::default(), setup.info(0))
}

#[test]
fn strides_change_no_bit() {
    let setup = Setup::new(Model::Rgb, 67, 53, 10).grid(3, 2);
    let pictures = noisy(&setup, 1, 9, 400.0, 3.0);
    let plain = json(&measure(&setup, &pictures, 0, |_| FrameTags::default()));
    for pad in [1, 2, 13, 64] {
        assert_eq!(json(&measure(&setup, &pictures, pad, |_| FrameTags::default())), plain);
    }
}

/// A stream cut into pieces, each measured by a meter of its own, gives the windows of the whole to the last bit, but for
/// what is defined since the segment began.
#[test]
fn a_stream_cut_into_pieces_gives_the_same_windows() {
    let setup = Setup::new(Model::Yuv, 50, 50, 10).grid(2, 2);
    let pictures = noisy(&setup, 11, 21, 400.0, 3.0);
    let (mut meter, mut carry) = (setup.meter(), Carry::default());
    for (index, piece) in pictures.chunks(7).enumerate() {
        for picture in piece {
            setup.add(&mut meter, picture, 0, FrameTags::default());
        }
        let mut whole = meter.close().unwrap().evaluate(&mut carry, setup.info(index as u64));
        let mut alone = measure(&setup, piece, 0, |_| FrameTags::default());
        for (_, component) in whole.regions.iter_mut().flat_map(|region| &mut region.components.0) {
            component.var.slow = None;
        }
        (alone.timestamp, alone.stream_time, alone.running_time) =
            (whole.timestamp, whole.stream_time, whole.running_time);
        assert_eq!(json(&alone), json(&whole));
    }
}

#[test]
fn records_survive_their_json() {
    let setup = Setup::new(Model::Rgb, 64, 64, 8).grid(2, 2);
    let record = measure(&setup, &noisy(&setup, 2, 5, 100.0, 2.0), 0, |_| FrameTags::default());
    let back: WindowRecord = serde_json::from_str(&json(&record)).unwrap();
    assert_eq!(back, record);
    assert_eq!(json(&back), json(&record));
}

#[test]
fn repeated_frames_are_counted_and_change_nothing_else() {
    let setup = Setup::new(Model::Yuv, 64, 60, 10).grid(2, 2);
    let pictures = noisy(&setup, 3, 8, 500.0, 4.0);
    let twice: Vec<Picture> = pictures.iter().flat_map(|p| [p.clone(), p.clone()]).collect();
    let mut once = measure(&setup, &pictures, 0, |_| FrameTags::default());
    let doubled = measure(&setup, &twice, 0, |_| FrameTags::default());
    let flagged = measure(&setup, &twice, 0, |l| FrameTags { gap: l % 2 == 1, ..FrameTags::default() });
    assert_eq!((doubled.frames, doubled.repeated), (16, 8));
    assert_eq!(json(&doubled), json(&flagged));
    // Half as many distinct frames a second, so slopes differ; all else is equal.
    (once.frames, once.repeated) = (16, 8);
    let strip = |mut record: WindowRecord| {
        for (_, component) in record.regions.iter_mut().flat_map(|r| &mut r.components.0) {
            (component.drift, component.drift_stops) = (None, None);
        }
        json(&record)
    };
    let numbers = |text: &str| text.to_owned();
    assert_eq!(numbers(&strip(once)), numbers(&strip(doubled)));
}

#[test]
fn one_sample_anywhere_makes_a_frame_a_new_one() {
    let setup = Setup::new(Model::Yuv, 40, 40, 10);
    let mut setup = setup;
    setup.config.regions = vec![region("corner", Rect { x: 0, y: 0, width: 8, height: 8 })];
    let picture = noisy(&setup, 4, 1, 500.0, 4.0).remove(0);
    let mut other = picture.clone();
    other[2][40 * 40 - 1] ^= 1;
    let record = measure(&setup, &[picture.clone(), other, picture], 0, |_| FrameTags::default());
    assert_eq!((record.frames, record.repeated), (3, 0));
}

#[test]
fn a_still_stream_is_frozen_and_has_no_noise() {
    let setup = Setup::new(Model::Gray, 32, 32, 8);
    let picture = noisy(&setup, 5, 1, 100.0, 2.0).remove(0);
    let record = measure(&setup, &vec![picture; 10], 0, |_| FrameTags::default());
    assert_eq!((record.frames, record.repeated), (10, 9));
    assert!(record.notes.iter().any(|note| note.code == NoteCode::Frozen));
    let y = record.regions[0].components.get(Channel::Y).unwrap();
    assert_eq!((y.temporal, y.fixed, y.temporal_upper), (None, None, None));
    assert!(y.mean.is_some());
}

#[test]
fn holes_are_counted_and_break_pairs() {
    let setup = Setup::new(Model::Gray, 32, 32, 10);
    let pictures = noisy(&setup, 6, 10, 500.0, 4.0);
    let all = measure(&setup, &pictures, 0, |_| FrameTags::default());
    let holed = measure(&setup, &pictures, 0, |l| FrameTags { hole_before: l == 5, ..FrameTags::default() });
    assert_eq!((holed.holes, holed.discont), (1, true));
    let component = |record: &WindowRecord| record.regions[0].components.get(Channel::Y).unwrap().clone();
    assert_eq!(component(&all).temporal, component(&holed).temporal);
    assert_ne!(component(&all).temporal_pair, component(&holed).temporal_pair);
}

/// Σe², Σe·e_right·W/(W − 1), Σe·e_next and the mean of frames of real numbers.
fn residual_sums(frames: &[Vec<f64>], width: usize) -> [f64; 4] {
    let (n, p) = (frames.len() as f64, frames[0].len() as f64);
    let levels: Vec<f64> = frames.iter().map(|f| f.iter().sum::<f64>() / p).collect();
    let mean = levels.iter().sum::<f64>() / n;
    let pixel = |i: usize| frames.iter().map(|f| f[i]).sum::<f64>() / n;
    let pixels: Vec<f64> = (0..frames[0].len()).map(pixel).collect();
    let e: Vec<Vec<f64>> = frames
        .iter()
        .zip(&levels)
        .map(|(f, level)| f.iter().zip(&pixels).map(|(y, pixel)| y - level - pixel + mean).collect())
        .collect();
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let right = e.iter().flat_map(|e| e.chunks(width)).map(|row| dot(row, &row[1..])).sum::<f64>();
    let next = e.windows(2).map(|pair| dot(&pair[0], &pair[1])).sum();
    [e.iter().map(|e| dot(e, e)).sum(), right * width as f64 / (width - 1) as f64, next, mean]
}

#[test]
fn derived_components_equal_those_formed_sample_by_sample() {
    let setup = Setup::new(Model::Rgb, 64, 64, 8);
    let pictures = noisy(&setup, 7, 12, 120.0, 5.0);
    let record = measure(&setup, &pictures, 0, |_| FrameTags::default());
    // ITU-R BT.709: Y of R, G, B; Cb = (B − Y)/1.8556, Cr = (R − Y)/1.5748.
    let luma = |rgb: [f64; 3]| 0.2126 * rgb[0] + 0.7152 * rgb[1] + 0.0722 * rgb[2];
    type Form<'a> = &'a dyn Fn([f64; 3]) -> f64;
    let forms: [(Channel, Form<'_>); 3] = [
        (Channel::Y, &luma),
        (Channel::Cb, &|rgb| (rgb[2] - luma(rgb)) / 1.8556),
        (Channel::Cr, &|rgb| (rgb[0] - luma(rgb)) / 1.5748),
    ];
    for (channel, form) in forms {
        let formed: Vec<Vec<f64>> = pictures
            .iter()
            .map(|rgb| (0..64 * 64).map(|i| form([0, 1, 2].map(|c| f64::from(rgb[c][i])))).collect())
            .collect();
        let [c0, cx, ct, mean] = residual_sums(&formed, 64);
        let got = record.regions[0].components.get(channel).unwrap();
        assert!(got.codes.is_none(), "derived components have no codes");
        for (name, got, want, scale) in [
            ("c0", got.var.c0, c0, c0),
            ("cx", got.var.cx, cx, c0),
            ("ct", got.var.ct, ct, c0),
            ("mean", got.mean_codes, mean, 100.0),
        ] {
            assert!((got.unwrap() - want).abs() <= 1e-10 * scale, "{channel:?} {name}: {got:?} {want}");
        }
    }
}

#[test]
fn an_interleaved_picture_is_two_stacks_added() {
    let mut setup = Setup::new(Model::Gray, 48, 100, 10);
    let pictures = noisy(&setup, 8, 10, 500.0, 4.0);
    setup.config.format.scan = Scan::Interleaved;
    let record = measure(&setup, &pictures, 0, |_| FrameTags::default());
    let half = Setup::new(Model::Gray, 48, 50, 10);
    let field = |parity: usize| -> Vec<Picture> {
        pictures
            .iter()
            .map(|p| vec![p[0].chunks(48).skip(parity).step_by(2).flatten().copied().collect()])
            .collect()
    };
    let fields: Vec<_> = [0, 1]
        .map(|parity| measure(&half, &field(parity), 0, |_| FrameTags::default()))
        .iter()
        .map(|r| r.regions[0].components.get(Channel::Y).unwrap().clone())
        .collect();
    let y = record.regions[0].components.get(Channel::Y).unwrap();
    let c0 = fields.iter().map(|f| f.var.c0.unwrap()).sum::<f64>();
    assert!((y.var.c0.unwrap() / c0 - 1.0).abs() < 1e-12);
    let variance = c0 / (2.0 * (48.0 * 50.0 - 1.0) * 9.0);
    assert!((y.var.temporal.unwrap() / variance - 1.0).abs() < 1e-12);
    assert_eq!(record.frames, 10);

    // The same fields, a buffer each.
    setup.config.format.scan = Scan::Alternate;
    let mut meter = setup.meter();
    setup.config.format.height = 50;
    for (upper, lower) in field(0).iter().zip(&field(1)) {
        setup.add(&mut meter, upper, 0, FrameTags::default());
        setup.add(&mut meter, lower, 0, FrameTags { parity: 1, ..FrameTags::default() });
    }
    setup.config.format.height = 100;
    let alternate = meter.close().unwrap().evaluate(&mut Carry::default(), setup.info(0));
    assert_eq!(alternate.frames, 10);
    assert_eq!(alternate.regions, record.regions);
}

#[test]
fn chroma_regions_hold_whole_footprints_alone() {
    let mut setup = Setup::new(Model::Yuv, 33, 21, 8);
    for component in &mut setup.config.format.components[1..] {
        component.horizontal = Sampling::subsampled(2);
        component.vertical = Sampling::subsampled(2);
    }
    setup.config.regions = vec![
        region("odd", Rect { x: 1, y: 1, width: 10, height: 10 }),
        region("corner", Rect { x: 29, y: 17, width: 4, height: 4 }),
        region("thin", Rect { x: 3, y: 3, width: 1, height: 1 }),
    ];
    let record = measure(&setup, &noisy(&setup, 9, 3, 100.0, 3.0), 0, |_| FrameTags::default());
    let samples = |i: usize| record.regions[i].components.iter().map(|(_, c)| c.samples).collect::<Vec<_>>();
    assert_eq!(samples(0), [100, 16, 16]);
    // Columns 29 … 32: chroma 15 (30, 31) and 16 (32 alone); rows 17 … 20: 9 (18, 19) and 10 (20 alone).
    assert_eq!(samples(1), [16, 4, 4]);
    assert_eq!(samples(2), [1, 0, 0]);
    let thin = &record.regions[2];
    assert!(thin.notes.iter().any(|note| note.code == NoteCode::FewPixels));
    assert_eq!(thin.components.get(Channel::Cb).unwrap().mean, None);
}

#[test]
fn pairwise_regions_say_so_and_agree_with_the_full_set() {
    let mut setup = Setup::new(Model::Yuv, 64, 64, 10);
    let full = noisy(&setup, 10, 6, 500.0, 4.0);
    let whole = measure(&setup, &full, 0, |_| FrameTags::default());
    setup.config.full_set_share = Some(0.25);
    let capped = measure(&setup, &full, 0, |_| FrameTags::default());
    assert!(capped.regions[0].notes.iter().any(|note| note.code == NoteCode::PairwiseOnly));
    for channel in [Channel::Y, Channel::Cb, Channel::Cr] {
        let (a, b) = (
            whole.regions[0].components.get(channel).unwrap(),
            capped.regions[0].components.get(channel).unwrap(),
        );
        assert_eq!(a.temporal_pair, b.temporal_pair);
        assert_eq!((a.mean, &a.codes), (b.mean, &b.codes));
        assert_eq!((b.temporal, b.fixed), (None, None));
    }
}

/// Frames, rows and columns of noise with known parts; the estimates over seeds must scatter about the truth as their
/// standard error says: |mean z| < 0.5 and rms z in 0.7..1.3.
#[test]
fn intervals_cover_what_they_say_with_rows_and_columns() {
    let setup = Setup::new(Model::Gray, 64, 64, 16);
    let mut z = Vec::new();
    for seed in 0..64 {
        let mut random = Random(1000 + seed);
        let pictures: Vec<Picture> = (0..12)
            .map(|_| {
                let rows: Vec<f64> = (0..64).map(|_| 20.0 * random.normal()).collect();
                let columns: Vec<f64> = (0..64).map(|_| 10.0 * random.normal()).collect();
                vec![
                    (0..64 * 64)
                        .map(|i| {
                            (30_000.0 + 50.0 * random.normal() + rows[i / 64] + columns[i % 64]).round()
                                as u16
                        })
                        .collect(),
                ]
            })
            .collect();
        let record = measure(&setup, &pictures, 0, |_| FrameTags::default());
        let y = record.regions[0].components.get(Channel::Y).unwrap();
        // What the frame's own mean takes of rows and columns is not in the residual: E = σ² + r²(1 − 1/H) + c²(1 − 1/W),
        // over the (P − 1)/P that the divisor already knows of.
        let p = 64.0f64 * 64.0;
        let truth =
            (50.0f64.powi(2) * (p - 1.0) / p + (400.0 + 100.0) * 63.0 / 64.0) * p / (p - 1.0) + 1.0 / 12.0;
        let variance = y.var.temporal.unwrap();
        z.push((variance - truth) / (truth * (2.0 / y.var.nu.unwrap()).sqrt()));
    }
    let mean = z.iter().sum::<f64>() / 64.0;
    let rms = (z.iter().map(|z| z * z).sum::<f64>() / 64.0).sqrt();
    assert!(mean.abs() < 0.5 && (0.7..1.3).contains(&rms), "mean z {mean}, rms z {rms}");
}

/// Noise with a level of its own in each row, blurred down the columns, plus a band of `depth` codes that wanders.
fn banded(seed: u64, depth: f64, blur: usize) -> Vec<Picture> {
    let (w, h) = (48, 128);
    let mut random = Random(seed);
    (0..16)
        .map(|l| {
            let white: Vec<f64> = (0..w * (h + blur)).map(|_| 12.0 * random.normal()).collect();
            let rows: Vec<f64> = (0..h).map(|_| 2.0 * random.normal()).collect();
            let sample = |i: usize| {
                let (x, y) = (i % w, i / w);
                let noise = (0..=blur).map(|k| white[(y + k) * w + x]).sum::<f64>() / (blur + 1) as f64;
                let phase = y as f64 / h as f64 + 0.3 * l as f64;
                let band = depth * (2.0 * std::f64::consts::PI * phase).sin();
                (2000.0 + noise + rows[y] + band).round() as u16
            };
            vec![(0..w * h).map(sample).collect()]
        })
        .collect()
}

#[test]
fn bands_are_told_from_rows_and_blur() {
    let setup = Setup::new(Model::Gray, 48, 128, 12);
    let noted = |seed, depth, blur| {
        let record = measure(&setup, &banded(seed, depth, blur), 0, |_| FrameTags::default());
        let y = record.regions[0].components.get(Channel::Y).expect("luma");
        let note = record.regions[0].notes.iter().any(|note| note.code == NoteCode::Band);
        (note, y.var.band.expect("bands"))
    };
    for blur in [0, 1, 3, 5] {
        let false_alarms = (0..100).filter(|&seed| noted(seed, 0.0, blur).0).count();
        // At 1 % each, more than 5 of 100 have a chance of 5e-4; the test is no more eager than it says.
        assert!(false_alarms <= 5, "blur {blur}: {false_alarms} of 100");
    }
    let bands: Vec<f64> = (0..64)
        .map(|seed| {
            let (note, band) = noted(seed, 3.0, 3);
            assert!(note, "a band of 3 codes in rows of 2 is seen");
            band
        })
        .collect();
    // ½ the variance of the difference of two sines 0.3 of a turn apart: ½·(2·sin(0.3π))²·3²/2, over 16 bins of 8 rows,
    // whose mean lowers a sine of one turn by sinc(1/16)², and less what bins two apart see of it: 4·sin²(2π/16)/4 of it.
    let apart = 2.0 * (0.3 * std::f64::consts::PI).sin();
    let u = std::f64::consts::PI / 16.0;
    let full = 0.5 * (apart * 3.0f64).powi(2) / 2.0 * (u.sin() / u).powi(2);
    // Over whole turns Σ(d − d̄)² is exact with divisor B − 1; the 14 steps of two bins see 2·sin²(2u) on average.
    let want = full * 16.0 / 15.0 - full * 2.0 * (2.0 * u).sin().powi(2);
    let mean = bands.iter().sum::<f64>() / 64.0;
    let spread = (bands.iter().map(|b| (b - mean).powi(2)).sum::<f64>() / 63.0).sqrt();
    assert!((mean - want).abs() < 0.5 * spread + 0.02 * want, "{mean} instead of {want}, spread {spread}");
}

/// Derived components of a pairwise region have a sample wherever R has one, in a summary too.
#[test]
fn derived_components_of_a_pairwise_region_have_their_samples() {
    let mut setup = Setup::new(Model::Rgb, 40, 30, 8);
    setup.config.full_set_share = Some(0.25);
    let record = measure(&setup, &noisy(&setup, 5, 24, 100.0, 4.0), 0, |_| FrameTags::default());
    let summary = summarize(std::slice::from_ref(&record)).unwrap();
    for region in [&record.regions[0], &summary.regions[0]] {
        assert!(region.notes.iter().any(|note| note.code == NoteCode::PairwiseOnly));
        assert_eq!(region.components.iter().count(), 6);
        for (channel, component) in region.components.iter() {
            assert_eq!(component.samples, 40 * 30, "{channel:?}");
            assert!(component.temporal_pair.is_some(), "{channel:?}");
        }
    }
}

/// Slopes do not depend on which field comes first: 24 frames of two fields, of 3 codes more a frame at 25 a second.
#[test]
fn alternate_fields_rise_alike_whichever_comes_first() {
    let mut setup = Setup::new(Model::Gray, 16, 40, 8);
    setup.config.format.scan = Scan::Alternate;
    let drift = |first: usize| {
        let mut meter = setup.meter();
        for field in 0..48usize {
            // A pixel that moves keeps fields from being repetitions.
            let picture =
                (0..16 * 40).map(|i| 100 + 3 * (field as u16 / 2) + u16::from(i % 9 == field % 9)).collect();
            let tags = FrameTags { parity: (field + first) & 1, ..FrameTags::default() };
            setup.add(&mut meter, &vec![picture], 0, tags);
        }
        let record = meter.close().unwrap().evaluate(&mut Carry::default(), setup.info(0));
        assert_eq!((record.frames, record.repeated), (24, 0));
        record.regions[0].components.get(Channel::Y).unwrap().drift.unwrap()
    };
    // The moving pixel leaves means of a field's 320 samples within d = 1/320 code of a steady line. That tilts a line of N
    // frames by at most d·Σ|t|/Σt² = 3dN/(N² − 1) codes a frame, of 3.
    let tolerance = 3.0 / 320.0 * 24.0 / (24.0 * 24.0 - 1.0) / 3.0;
    for first in [0, 1] {
        let ratio = drift(first) / (100.0 * 3.0 * 25.0 / 255.0);
        assert!((ratio - 1.0).abs() <= tolerance, "{first}: {ratio}");
    }
}

const WIDTH: usize = 12;

/// Bytes as rows of [`WIDTH`] samples.
fn view(channel: Channel, bytes: &[u8]) -> ComponentView<'_> {
    let height = bytes.len() / WIDTH;
    let placement = Placement { offset: 0, row_stride: WIDTH, sample_stride: 1, width: WIDTH, height };
    ComponentView::new(channel, bytes, placement, Packing { word: Word::U8, shift: 0, depth: 8 })
        .expect("samples lie inside")
}

/// R, G and B clip in the same row: each pixel counts once, however many rows a view has beyond the picture.
#[test]
fn rows_beyond_the_picture_do_not_shift_components_against_each_other() {
    let height = 120;
    let plane = |rows: usize| {
        let mut plane = vec![100; WIDTH * rows];
        plane[WIDTH * 90..WIDTH * 91].fill(255);
        plane
    };
    let planes = [plane(height), plane(height + 64), plane(2 * height)];
    let views: Vec<_> = [Channel::R, Channel::G, Channel::B]
        .into_iter()
        .zip(&planes)
        .map(|(channel, plane)| view(channel, plane))
        .collect();
    let setup = Setup::new(Model::Rgb, WIDTH as u32, height as u32, 8);
    let mut meter = setup.meter();
    meter.add(&views, &[], FrameTags::default()).expect("views of the format");
    let record = meter.close().expect("a frame came").evaluate(&mut Carry::default(), setup.info(0));
    assert_eq!(record.frame.clipped_high, Some(1.0 / height as f64));
}

#[test]
fn an_upper_field_without_its_last_line_is_refused() {
    let bytes = vec![100; WIDTH * 10];
    let mut setup = Setup::new(Model::Gray, WIDTH as u32, 21, 8);
    setup.config.format.scan = Scan::Alternate;
    let mut meter = setup.meter();
    let mut add =
        |parity| meter.add(&[view(Channel::Y, &bytes)], &[], FrameTags { parity, ..FrameTags::default() });
    assert!(matches!(add(0), Err(Error::FrameMismatch { .. })), "11 lines belong to the upper field");
    assert!(add(1).is_ok(), "10 to the lower one");
}
