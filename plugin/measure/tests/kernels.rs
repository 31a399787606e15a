//! Every vector loop, at every instruction set of the machine, against its plain definition: equal to the last bit.

#[path = "support/random.rs"]
mod random;
#[path = "support/sheet.rs"]
mod sheet;

use fearless_simd::prelude::*;
use fearless_simd::{Simd, dispatch};
use noise_measure::kernels::count::{above, any_outside, below, tail};
use noise_measure::kernels::fingerprint::{Fingerprint, KEYS, LANES, PERIOD, STEP};
use noise_measure::kernels::full::{self, FullFrame, Memory};
use noise_measure::kernels::lanes::{NARROW_MAX, Products, budget, padded};
use noise_measure::kernels::pair::{self, Before, PairFrame};
use noise_measure::kernels::{Level, levels, oracle, scan};
use noise_measure::stack::Stack;
use random::Random;
use sheet::{Content, Sheet, codes, cuts};

/// Narrow depths: 16 signed bits hold their codes and differences.
const DEPTHS: std::ops::RangeInclusive<u32> = 8..=15;

fn max(depth: u32) -> u16 {
    ((1u32 << depth) - 1) as u16
}

/// All short widths, and those about a few whole vectors of any length.
fn widths() -> impl Iterator<Item = usize> {
    (1..=70).chain([95, 96, 97, 127, 128, 129, 255, 256, 257])
}

/// A frame and the one before: both ends against each other, and noise.
const PAIRS: [(Content, Content); 6] = [
    (Content::Lowest, Content::Lowest),
    (Content::Lowest, Content::Highest),
    (Content::Highest, Content::Lowest),
    (Content::Highest, Content::Highest),
    (Content::Any, Content::Any),
    (Content::Noise, Content::Noise),
];

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum From {
    Nowhere,
    Filled,
    Kept,
    Lent,
}

const FROM: [From; 4] = [From::Nowhere, From::Filled, From::Kept, From::Lent];

/// What [`PairFrame`] shows.
type PairSums = (u64, u64, u64, (i64, i64), (i64, i64));

fn pair_sums(frame: &PairFrame) -> PairSums {
    (frame.sum, frame.square, frame.previous, frame.right, frame.below)
}

/// Sums and extremes of `this` after `before`, taken in strips of `cuts` rows; and what was kept for the next frame.
fn pair(
    level: Level,
    (this, before): (&Sheet, &Sheet),
    from: From,
    cuts: &[usize],
    max: u16,
) -> (PairSums, (u16, u16), Vec<u16>) {
    let (width, stride) = (this.width, padded(this.width));
    let mut kept: Vec<u16> = Vec::new();
    for row in before.rows() {
        let start = kept.len();
        kept.extend_from_slice(if from == From::Kept { row } else { &[] });
        kept.resize(start + stride, 0);
    }
    let mut frame = PairFrame::default();
    // Whatever was there before must not matter.
    let mut difference = vec![-7i16; pair::room(width)];
    let (mut y, mut extremes) = (0, (u16::MAX, 0));
    for &rows in cuts {
        let strip = this.patch().part(0, y, width, rows);
        let memory = match from {
            From::Nowhere => Before::None,
            From::Filled => Before::Fill(&mut kept[y * stride..]),
            From::Kept => Before::Kept(&mut kept[y * stride..]),
            From::Lent => Before::Lent(before.patch().part(0, y, width, rows)),
        };
        let (low, high) = dispatch!(level, simd => pair::rows(
            simd, &mut frame, y, strip, memory, &mut difference, budget(u32::from(max))
        ));
        extremes = (extremes.0.min(low), extremes.1.max(high));
        y += rows;
    }
    let kept = kept.chunks(stride).flat_map(|row| row[..width].to_vec()).collect();
    (pair_sums(&frame), extremes, kept)
}

fn check_pair(this: &Sheet, before: &Sheet, cuts: &[usize], max: u16, told: &str) {
    let extremes = oracle::extremes(&this.image).expect("samples");
    let paired = pair_sums(&oracle::pair_frame(&this.image, &before.image, this.width));
    let alone = (paired.0, paired.1, 0, (0, 0), (0, 0));
    for level in levels() {
        for from in FROM {
            let (sums, found, kept) = pair(level, (this, before), from, cuts, max);
            let meets = matches!(from, From::Kept | From::Lent);
            assert_eq!(sums, if meets { paired } else { alone }, "{level:?} {from:?} {told}");
            assert_eq!(found, extremes, "{level:?} {from:?} {told}");
            if matches!(from, From::Filled | From::Kept) {
                assert_eq!(kept, this.image, "{level:?} {from:?} {told}");
            }
        }
    }
}

#[test]
fn pairs_of_frames_have_the_sums_of_their_definition_wherever_they_lie() {
    let mut random = Random(1);
    for depth in DEPTHS {
        for (width, (this, before)) in widths().flat_map(|width| PAIRS.map(|pair| (width, pair))) {
            // The neighbours below are those of rows 1, 5 and 9; the last row has none.
            let rows = 9 + width % 3;
            let [this, before] = [this, before].map(|content| {
                let (start, pad) = (random.next() % 8, random.next() % 40);
                let image = codes(&mut random, content, max(depth), width * rows);
                Sheet::new(image, width, start as usize, pad as usize)
            });
            let cuts = cuts(&mut random, rows);
            check_pair(
                &this,
                &before,
                &cuts,
                max(depth),
                &format!("{depth} bits, width {width}, strips {cuts:?}"),
            );
        }
    }
}

/// Enough of the highest code for 32-bit lanes to overflow where they are not emptied in time.
#[test]
fn long_rows_of_the_highest_code_overflow_nothing() {
    let mut random = Random(2);
    for (depth, width, rows) in [(8, 65_537, 9), (10, 8193, 9), (12, 4097, 5), (14, 4095, 5), (15, 4096, 5)] {
        for contents in [(Content::Highest, Content::Highest), (Content::Highest, Content::Lowest)] {
            let [this, before] = [contents.0, contents.1].map(|content| {
                Sheet::new(codes(&mut random, content, max(depth), width * rows), width, 3, 5)
            });
            check_pair(&this, &before, &[rows], max(depth), &format!("{depth} bits, width {width}"));
            check_full(&this, &before, &before, max(depth), &format!("{depth} bits, width {width}"));
        }
    }
}

/// `image` in [`padded`] rows with zeros behind, after `above` rows of zeros.
fn padded_rows(sheet: &Sheet, above: usize) -> Vec<u16> {
    let mut rows = vec![0; above * padded(sheet.width)];
    for row in sheet.rows() {
        let start = rows.len();
        rows.extend_from_slice(row);
        rows.resize(start + padded(sheet.width), 0);
    }
    rows
}

fn check_full(sheet: &Sheet, previous: &Sheet, before_previous: &Sheet, max: u16, told: &str) {
    let (patch, width) = (sheet.patch(), sheet.width);
    let stride = padded(width);
    let (sum, square) = oracle::moments(&sheet.image);
    let want = FullFrame {
        sum,
        square,
        right: oracle::right_products(&sheet.image, width),
        below: oracle::below_products(&sheet.image, width),
        previous: oracle::dot(&sheet.image, &previous.image),
        before_previous: oracle::dot(&sheet.image, &before_previous.image),
    };
    let row_sums: Vec<u64> = sheet.rows().map(|row| oracle::moments(row).0).collect();
    let image = padded_rows(sheet, 1);
    let [previous, before_previous] = [previous, before_previous].map(|sheet| padded_rows(sheet, 0));
    // One more than the samples: sums start anywhere.
    let pixels: Vec<u16> = image[stride..].iter().map(|x| x + 1).collect();
    for level in levels() {
        let mut this = vec![0; image.len()];
        let mut sums = vec![1; pixels.len()];
        let mut columns = vec![0; stride];
        let mut frame = FullFrame::default();
        let mut heard = Vec::new();
        let memory = Memory {
            this: &mut this,
            previous: &previous,
            before_previous: &before_previous,
            pixels: &mut sums,
            columns: &mut columns,
        };
        let extremes = dispatch!(level, simd => full::rows(
            simd, &mut frame, patch, memory, budget(u32::from(max)),
            #[inline(always)]
            |y, sum, columns: &mut [u16]| {
                heard.push((y, sum, columns.to_vec()));
                // As often as 16 bits ask for it at any depth.
                columns.fill(0);
            },
        ));
        assert_eq!(frame, want, "{level:?} {told}");
        assert_eq!(Some(extremes), oracle::extremes(&sheet.image), "{level:?} {told}");
        assert_eq!(this, image, "{level:?} {told}");
        assert_eq!(sums, pixels, "{level:?} {told}");
        for (y, (sum, columns)) in row_sums.iter().zip(image[stride..].chunks(stride)).enumerate() {
            assert_eq!(heard.get(y), Some(&(y, *sum, columns.to_vec())), "{level:?} {told}");
        }
    }
}

#[test]
fn the_full_set_has_the_sums_of_its_definition_wherever_rows_lie() {
    let mut random = Random(3);
    for depth in DEPTHS {
        for (width, (this, other)) in widths().flat_map(|width| PAIRS.map(|pair| (width, pair))) {
            let [this, previous, before_previous] = [this, other, this].map(|content| {
                let (start, pad) = (random.next() % 8, random.next() % 40);
                let image = codes(&mut random, content, max(depth), width * 5);
                Sheet::new(image, width, start as usize, pad as usize)
            });
            check_full(
                &this,
                &previous,
                &before_previous,
                max(depth),
                &format!("{depth} bits, width {width}"),
            );
        }
    }
}

/// All numbers of a stack of `frames`, which a hole parts before the last two.
fn numbers(level: Level, frames: &[Vec<u16>], width: usize, max: u16) -> String {
    let mut stack = Stack::new(width, frames[0].len() / width, u32::from(max));
    for (l, frame) in frames.iter().enumerate() {
        if l + 2 == frames.len() {
            stack.break_run();
        }
        stack.add(level, frame);
    }
    // Every digit of every number, so that equal text is equal bits.
    format!("{:?}", stack.finish())
}

/// A stack that is told of 16 bits takes the plain loops.
#[test]
fn a_stack_has_the_same_numbers_by_vectors_and_by_plain_loops() {
    let mut random = Random(4);
    for depth in DEPTHS {
        let tall =
            [1, 7, 15, 16, 17, 31, 32, 33, 47, 48, 49, 63, 64, 65, 70, 97, 130].map(|width| (width, 66));
        for (width, height) in (1..=70).map(|width| (width, 3)).chain(tall) {
            for (one, other) in PAIRS {
                let frames: Vec<Vec<u16>> = [one, other, other, one, one, other, one]
                    .into_iter()
                    .map(|content| codes(&mut random, content, max(depth), width * height))
                    .collect();
                let plain = numbers(Level::new(), &frames, width, u16::MAX);
                for level in levels() {
                    let narrow = numbers(level, &frames, width, max(depth));
                    assert_eq!(
                        narrow, plain,
                        "{level:?} {depth} bits, {width} × {height}, {one:?} {other:?}"
                    );
                }
            }
        }
    }
}

/// Sums of every pixel spill from 16 bits many times.
#[test]
fn many_frames_of_the_highest_code_overflow_nothing() {
    let mut random = Random(5);
    for depth in DEPTHS {
        let count = 3 + 2 * (u16::MAX / max(depth)) as usize;
        let frames: Vec<Vec<u16>> = (0..count)
            .map(|l| {
                let content = if l == 1 { Content::Any } else { Content::Highest };
                codes(&mut random, content, max(depth), 33 * 50)
            })
            .collect();
        let plain = numbers(Level::new(), &frames, 33, u16::MAX);
        for level in levels() {
            assert_eq!(numbers(level, &frames, 33, max(depth)), plain, "{level:?} {depth} bits");
        }
    }
}

#[test]
fn counts_are_those_of_the_plain_loop_wherever_rows_lie() {
    let mut random = Random(6);
    for (depth, width) in
        (8..=16).flat_map(|depth| (0..=70).chain([127, 128, 129]).map(move |width| (depth, width)))
    {
        for content in [Content::Lowest, Content::Highest, Content::Any, Content::Noise] {
            let sheets = [0; 3].map(|_| {
                let (start, pad) = (random.next() % 8, random.next() % 40);
                let image = codes(&mut random, content, max(depth), width * 4);
                Sheet::new(image, width, start as usize, pad as usize)
            });
            let any = |random: &mut Random| (random.next() % (u64::from(max(depth)) + 1)) as u16;
            let bounds = [0; 3].map(|_| {
                let (a, b) = (any(&mut random), any(&mut random));
                (a.min(b), a.max(b))
            });
            let top = max(depth);
            for bounds in
                [bounds, [(0, top); 3], [(1, top); 3], [(0, top - 1); 3], [(1, top), bounds[1], (0, top - 1)]]
            {
                check_counts(
                    &sheets,
                    bounds,
                    &format!("{depth} bits, width {width}, {content:?} {bounds:?}"),
                );
            }
        }
    }
}

fn check_counts(sheets: &[Sheet; 3], bounds: [(u16, u16); 3], told: &str) {
    let [one, two, three] = sheets;
    let patches = [one, two, three].map(Sheet::patch);
    let all = oracle::count_any_outside(&[&one.image, &two.image, &three.image], &bounds);
    let [(low, high), ..] = bounds;
    let outside = oracle::count_any_outside(&[&one.image], &bounds[..1]);
    let (under, over) = (oracle::count_below(&one.image, low), oracle::count_above(&one.image, high));
    for level in levels() {
        let single = dispatch!(level, simd => any_outside(simd, [patches[0]], [bounds[0]]));
        assert_eq!(single, outside, "{level:?} {told}");
        assert_eq!(dispatch!(level, simd => any_outside(simd, patches, bounds)), all, "{level:?} {told}");
        assert_eq!(dispatch!(level, simd => below(simd, patches[0], low)), under, "{level:?} {told}");
        assert_eq!(dispatch!(level, simd => above(simd, patches[0], high)), over, "{level:?} {told}");
        check_tails(level, one, (low, high), told);
    }
}

/// Both tails with `low` and `high` as the outer and the inner code, each in its turn.
fn check_tails(level: Level, sheet: &Sheet, (low, high): (u16, u16), told: &str) {
    let (image, patch) = (&sheet.image, sheet.patch());
    let (at_low, at_high) = (oracle::count_equal(image, low), oracle::count_equal(image, high));
    let up_to_high = image.iter().filter(|&&x| x <= high).count() as u64;
    let from_low = image.iter().filter(|&&x| x >= low).count() as u64;
    let lower = dispatch!(level, simd => tail::<_, false>(simd, patch, (low, high)));
    assert_eq!(lower, [at_low, at_high, up_to_high], "{level:?} {told}");
    let upper = dispatch!(level, simd => tail::<_, true>(simd, patch, (high, low)));
    assert_eq!(upper, [at_high, at_low, from_low], "{level:?} {told}");
}

/// More vectors of one code than 16-bit counters hold.
#[test]
fn counters_are_read_before_they_overflow() {
    for (width, height) in [(31, 70_000), (32, 70_000), (33, 70_000), (8 * 65_535 + 9, 1), (32 * 65_536, 2)] {
        let sheet = Sheet::new(vec![9; width * height], width, 1, 0);
        for level in levels() {
            check_tails(level, &sheet, (9, 9), "one code alone");
            let all = dispatch!(level, simd => above(simd, sheet.patch(), 8));
            assert_eq!(all, sheet.image.len() as u64, "{level:?}");
        }
    }
}

/// Σ of samples, as signed ones, times the keys of their places; neighbours share a lane.
fn keyed(row: &[u16]) -> [i32; LANES] {
    let mut lanes = [0i32; LANES];
    for (i, (&x, &key)) in row.iter().zip(&KEYS).enumerate() {
        let lane = &mut lanes[i % STEP / 2];
        *lane = lane.wrapping_add(i32::from(x.cast_signed()) * i32::from(key));
    }
    lanes
}

/// Number of bits that the largest value with all of `bits` needs.
fn length(bits: u16) -> u32 {
    u16::BITS - bits.leading_zeros()
}

fn check_scan<S: Simd, const JUDGED: bool, const BITS: bool>(simd: S, row: &[u16], told: &str) {
    let (found, lanes) = scan::row::<S, _, JUDGED, BITS>(simd, row);
    assert_eq!(lanes, keyed(row), "{JUDGED} {BITS} {told}");
    let Some((low, high)) = oracle::extremes(row) else {
        assert_eq!(found, scan::Row::EMPTY, "{told}");
        return;
    };
    let bits = oracle::bits(row);
    if JUDGED {
        let sum = oracle::moments(row).0;
        assert_eq!((found.low, found.high, found.sum), (low, high, sum), "{JUDGED} {BITS} {told}");
    }
    if BITS {
        assert_eq!(found.bits, bits, "{JUDGED} {BITS} {told}");
    } else {
        // Only what tells whether a value is over 2ⁿ − 1, for any n.
        assert_eq!(length(found.bits.0), length(bits.0), "{JUDGED} {BITS} {told}");
    }
}

#[test]
fn a_scanned_row_has_the_bits_extremes_sum_and_keyed_sums_of_its_definition() {
    let mut random = Random(7);
    let lengths = (0..=70).chain([127, 128, 129, 1023, 1025]).chain(PERIOD - 34..=PERIOD);
    for (length, depth) in lengths.flat_map(|length| (8..=16).map(move |depth| (length, depth))) {
        for content in [Content::Lowest, Content::Highest, Content::Any, Content::Noise] {
            let start = (random.next() % 8) as usize;
            let mut memory = vec![0xa5a5; start];
            memory.extend(codes(&mut random, content, max(depth), length));
            let mut rows = vec![memory.clone()];
            // One word with its highest bit set, in the middle and at either end.
            for at in [0, length / 2, length.saturating_sub(1)].into_iter().filter(|&at| at < length) {
                let mut strange = memory.clone();
                strange[start + at] |= 1 << 15;
                rows.push(strange);
            }
            for row in rows.iter().map(|row| &row[start..]) {
                for level in levels() {
                    let told = format!("{level:?} {length} of {depth} bits, {content:?}");
                    dispatch!(level, simd => {
                        check_scan::<_, false, false>(simd, row, &told);
                        check_scan::<_, false, true>(simd, row, &told);
                        check_scan::<_, true, false>(simd, row, &told);
                        check_scan::<_, true, true>(simd, row, &told);
                    });
                }
            }
        }
    }
}

#[test]
fn a_fingerprint_is_the_same_at_every_level_and_folds_the_keyed_sums_of_its_rows() {
    let mut random = Random(8);
    let lengths = [0, 1, 31, 32, 33, 70, PERIOD - 1, PERIOD, PERIOD + 1, 2 * PERIOD + 33];
    for (length, top) in lengths.into_iter().flat_map(|length| [255, 1023, u16::MAX].map(|top| (length, top)))
    {
        for content in [Content::Lowest, Content::Highest, Content::Any] {
            let rows = [0; 3].map(|_| codes(&mut random, content, top, length));
            let mut plain = Fingerprint::default();
            for part in rows.iter().flat_map(|row| row.chunks(PERIOD)) {
                plain.sums(&keyed(part), part.len());
            }
            for level in levels() {
                let mut print = Fingerprint::default();
                dispatch!(level, simd => rows.iter().for_each(|row| print.row(simd, row)));
                assert_eq!(print.finish(), plain.finish(), "{level:?} {length} {content:?}");
            }
        }
    }
}

/// Lanes times `a`·`b`, as often as the budget allows, twice over with a widening between.
fn filled<S: Simd>(simd: S, a: i16, b: i16, times: usize) -> (i64, i64) {
    let (x, y) = (S::i16s::simd_from(simd, a), S::i16s::simd_from(simd, b));
    let mut products = Products::<S>::new(simd);
    for _ in 0..2 {
        (0..times).for_each(|_| products.add(x, y));
        products.widen(simd);
    }
    (products.take(simd), S::i16s::LEN as i64)
}

#[test]
fn products_of_either_sign_fill_their_budget_and_no_more() {
    for depth in 1..=15 {
        let top = max(depth).cast_signed();
        let times = budget(u32::from(max(depth)));
        assert!(times >= 1 && u32::from(max(depth)) <= NARROW_MAX, "{depth} bits are narrow");
        for level in levels() {
            for (a, b) in [(top, top), (top, -top), (-top, -top)] {
                let (sum, lanes) = dispatch!(level, simd => filled(simd, a, b, times));
                assert_eq!(sum, 2 * lanes * times as i64 * i64::from(a) * i64::from(b), "{level:?} {a} {b}");
            }
        }
    }
}
