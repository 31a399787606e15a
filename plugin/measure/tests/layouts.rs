//! What memory looks like must not matter: the same codes give the same records, by any instructions.

#[path = "support/layouts.rs"]
mod layouts;
mod support;

use layouts::{Plane, bit_place, layouts as all_layouts, views};
use noise_measure::format::{Channel, Model, Range, Sampling, Scan};
use noise_measure::kernels::{Level, levels};
use noise_measure::meter::{Carry, FrameTags, Meter};
use noise_measure::region::Rect;
use noise_measure::view::{ComponentView, Packing, Placement, Word};
use support::{Picture, Random, Setup, noisy, region};

/// The code of sample `x` of row `y`, bit by bit.
fn code(bytes: &[u8], placement: Placement, packing: Packing, (x, y): (usize, usize)) -> u16 {
    let at = placement.offset + y * placement.row_stride + x * placement.sample_stride;
    (0..packing.depth).fold(0, |code, k| {
        let (byte, bit) = bit_place(packing.word, packing.shift + k);
        code | u16::from(bytes[at + byte] >> bit & 1) << k
    })
}

fn check_view(bytes: &[u8], placement: Placement, packing: Packing) {
    let view = ComponentView::new(Channel::Y, bytes, placement, packing).expect("samples lie inside");
    let Placement { offset, row_stride, sample_stride, width, height } = placement;
    let told = format!("{packing:?} {placement:?}");
    for y in 0..height {
        let want: Vec<u16> = (0..width).map(|x| code(bytes, placement, packing, (x, y))).collect();
        // Whole, from an odd place on, the last one, and more than there is.
        for (x, count) in [(0, width), (3, width - 4), (width - 1, 1), (5, width)] {
            let mut row = vec![0xbeef; count];
            view.read_row(y, x, &mut row);
            let end = width.min(x + count);
            assert_eq!(row[..end - x], want[x..end], "{told}, row {y} from {x}");
            assert!(row[end - x..].iter().all(|&code| code == 0xbeef), "{told}: nothing is behind");
        }
    }
    let mut row = [7; 4];
    view.read_row(height, 0, &mut row);
    view.read_row(0, width, &mut row);
    assert_eq!(row, [7; 4], "{told}: nothing is outside");
    let even = (bytes.as_ptr() as usize + offset).is_multiple_of(2) && row_stride.is_multiple_of(2);
    let plain = packing.word == Word::U16Le && packing.shift == 0 && sample_stride == 2 && even;
    assert_eq!(view.words(0, height).is_some(), plain && cfg!(target_endian = "little"), "{told}");
    for first in 0..height {
        let Some(words) = view.words(first, height) else { continue };
        assert_eq!((words.width, words.rows), (width, height - first), "{told}");
        for y in first..height {
            let codes: Vec<u16> = words.row(y - first).iter().map(|word| word & view.max()).collect();
            let want: Vec<u16> = (0..width).map(|x| code(bytes, placement, packing, (x, y))).collect();
            assert_eq!(codes, want, "{told}, row {y}");
        }
    }
}

#[test]
fn every_word_stride_shift_and_depth_is_read_bit_by_bit() {
    let mut random = Random(1);
    let noise: Vec<u8> = (0..4096).map(|_| random.next() as u8).collect();
    for word in [Word::U8, Word::U16Le, Word::U16Be, Word::U32Le, Word::U32Be] {
        let size = word.bytes();
        for sample_stride in size..=9 {
            for (depth, shift) in (1..=16).flat_map(|depth| (0..=31).map(move |shift| (depth, shift))) {
                if depth + shift > 8 * size as u32 {
                    continue;
                }
                let width = 9 + (random.next() % 40) as usize;
                let row = (width - 1) * sample_stride + size;
                let (row_stride, offset) = (row + (random.next() % 5) as usize, (random.next() % 4) as usize);
                let placement = Placement { offset, row_stride, sample_stride, width, height: 3 };
                // Nothing behind the last sample.
                let bytes = &noise[..offset + 2 * row_stride + row];
                check_view(bytes, placement, Packing { word, shift, depth });
            }
        }
    }
}

/// Records of two windows, the same number of frames in each.
fn measure(setup: &Setup, level: Level, frames: &[Vec<Plane>]) -> Vec<String> {
    let (format, mut carry) = (&setup.config.format, Carry::default());
    let mut meter = Meter::at_level(setup.config.clone(), level);
    let mut last: [&[Plane]; 2] = [&[], &[]];
    let mut records = Vec::new();
    for (l, planes) in frames.iter().enumerate() {
        let tags = tags(setup, l);
        meter
            .add(&views(format, planes), &views(format, last[tags.parity]), tags)
            .expect("views of the format");
        last[tags.parity] = planes;
        close(setup, &mut meter, &mut carry, (l, frames.len()), &mut records);
    }
    records
}

/// The same as planes of 16-bit words with nothing strange but padding.
fn measure_plain(setup: &Setup, pictures: &[Picture]) -> Vec<String> {
    let (mut meter, mut carry) = (setup.meter(), Carry::default());
    let mut records = Vec::new();
    for (l, picture) in pictures.iter().enumerate() {
        setup.add(&mut meter, picture, 3, tags(setup, l));
        close(setup, &mut meter, &mut carry, (l, pictures.len()), &mut records);
    }
    records
}

/// Frame 3 follows a hole.
fn tags(setup: &Setup, l: usize) -> FrameTags {
    let parity = if setup.config.format.scan == Scan::Alternate { l % 2 } else { 0 };
    FrameTags { hole_before: l == 3, parity, ..FrameTags::default() }
}

fn close(
    setup: &Setup,
    meter: &mut Meter,
    carry: &mut Carry,
    (l, all): (usize, usize),
    records: &mut Vec<String>,
) {
    if l + 1 == all / 2 || l + 1 == all {
        let record = meter.close().expect("frames came").evaluate(carry, setup.info(0));
        // Shortest digits that tell every number, so that equal text is equal bits.
        records.push(serde_json::to_string(&record).expect("a record is JSON"));
    }
}

/// Pictures with samples at both ends of the codes, one of which comes twice.
fn pictures(setup: &Setup, seed: u64, frames: usize) -> Vec<Picture> {
    let top = ((1u32 << setup.config.format.components[0].depth) - 1) as u16;
    let mut random = Random(seed);
    let mut pictures = noisy(setup, seed, frames, 0.6 * f64::from(top), 0.02 * f64::from(top));
    for code in pictures.iter_mut().flatten().flatten() {
        match random.next() % 64 {
            0 => *code = 0,
            1 => *code = top,
            2 => *code = top - (random.next() % 9) as u16,
            _ => {}
        }
    }
    pictures[frames / 2 + 1] = pictures[frames / 2].clone();
    pictures
}

fn check(setup: &Setup, seed: u64) {
    let format = &setup.config.format;
    let pictures = pictures(setup, seed, 8);
    let plain = measure_plain(setup, &pictures);
    assert_eq!(plain.len(), 2, "both windows");
    for layout in all_layouts(format.components[0].depth) {
        let frames: Vec<Vec<Plane>> =
            pictures.iter().enumerate().map(|(l, picture)| layout.planes(format, picture, l)).collect();
        for level in levels() {
            let got = measure(setup, level, &frames);
            assert!(got == plain, "{:?} {:?} {level:?} {layout:?}", format.model, format.scan);
        }
    }
}

/// The whole active picture, parts at odd places, and more than the full set is kept for.
fn regions(mut setup: Setup, active: Rect) -> Setup {
    let rect = |x, y, width, height| Rect { x: active.x + x, y: active.y + y, width, height };
    setup.config.active = active;
    setup.config.regions = vec![
        region("odd", rect(3, 5, 33, 61)),
        region("blocks", rect(1, 2, 49, 50)),
        region("dot", rect(7, 7, 2, 2)),
        region("whole", active),
        region("wide", rect(0, active.height - 9, active.width, 9)),
    ];
    // The first three have the full set, the others the pairwise one.
    setup.config.full_set_share = Some(0.45);
    setup.grid(5, 4)
}

const WIDTH: u32 = 83;
const HEIGHT: u32 = 144;
const FRAME: Rect = Rect { x: 0, y: 0, width: WIDTH, height: HEIGHT };
const INNER: Rect = Rect { x: 6, y: 10, width: 70, height: 121 };

fn subsampled(mut setup: Setup) -> Setup {
    for component in &mut setup.config.format.components[1..] {
        (component.horizontal, component.vertical) = (Sampling::subsampled(2), Sampling::subsampled(2));
    }
    setup
}

#[test]
fn yuv_pictures_give_the_same_records_in_every_layout_at_every_level() {
    for (depth, scan, range, active) in [
        (8, Scan::Progressive, Range::Narrow, FRAME),
        (8, Scan::Interleaved, Range::Narrow, INNER),
        (10, Scan::Progressive, Range::Narrow, INNER),
        (10, Scan::Interleaved, Range::Full, FRAME),
        (12, Scan::Alternate, Range::Full, FRAME),
        (15, Scan::Progressive, Range::Full, FRAME),
        (16, Scan::Progressive, Range::Narrow, INNER),
    ] {
        let mut setup = subsampled(regions(Setup::new(Model::Yuv, WIDTH, HEIGHT, depth), active));
        (setup.config.format.scan, setup.config.format.range) = (scan, range);
        check(&setup, u64::from(depth));
    }
}

/// Sums of two components fit the vector loops up to 14 bits, and 16 bits up to 15.
#[test]
fn rgb_pictures_give_the_same_records_in_every_layout_at_every_level() {
    for (depth, scan, active) in [
        (8, Scan::Progressive, INNER),
        (12, Scan::Progressive, FRAME),
        (12, Scan::Interleaved, INNER),
        (14, Scan::Progressive, INNER),
        (15, Scan::Progressive, FRAME),
        (16, Scan::Progressive, INNER),
    ] {
        let mut setup = regions(Setup::new(Model::Rgb, WIDTH, HEIGHT, depth), active);
        setup.config.format.scan = scan;
        check(&setup, 100 + u64::from(depth));
    }
}

#[test]
fn mosaics_and_grey_pictures_give_the_same_records_in_every_layout_at_every_level() {
    let mut mosaic = regions(Setup::new(Model::Bayer, WIDTH, HEIGHT, 12), INNER);
    for (c, component) in mosaic.config.format.components.iter_mut().enumerate() {
        component.horizontal = Sampling::mosaic(c as u32 & 1);
        component.vertical = Sampling::mosaic(c as u32 >> 1);
    }
    check(&mosaic, 201);
    // Wider than the keys of a fingerprint reach.
    let wide = Rect { x: 0, y: 0, width: 4200, height: 70 };
    check(&regions(Setup::new(Model::Gray, wide.width, wide.height, 10), wide), 202);
    let narrower = Rect { x: 1, width: 4098, ..wide };
    check(&regions(Setup::new(Model::Gray, wide.width, wide.height, 10), narrower), 203);
}
