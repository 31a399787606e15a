//! The element among stock elements, by the CPU time between its pads; and whether its cost keeps steady.

use std::cell::{Cell, RefCell};

use super::clock;
use super::kernels::{Stream, metering};
use super::plan::Plan;
use super::report::{Row, Unit, at_least, at_most, milliseconds, table, times};
use super::rounds::{Rounds, Spread, Turn, quantile};
use super::stage::Stage;
use super::workloads::{Asked, Layout, Ring};

/// Frames until a new element's cost is that of all that follow: two windows.
const SETTLING: usize = 50;

/// The value of the property `regions` for what `asked` asks.
#[must_use]
pub fn regions(asked: &Asked) -> String {
    let texts = asked.regions.iter().map(|region| {
        let rect = region.rect;
        format!("{}={},{},{},{}", region.name, rect.x, rect.y, rect.width, rect.height)
    });
    texts.collect::<Vec<_>>().join(";")
}

/// Runs it; the tables.
///
/// # Errors
/// Where an element is missing or fails.
pub fn run(plan: &Plan, uhd: &Ring) -> Result<String, String> {
    let hd = |layout| Ring::new(layout, plan.hd.0, plan.hd.1, plan.hd_ring);
    let (nv12, i420) = (hd(Layout::Nv12), hd(Layout::I420));
    let meter = |name: &str, asked: &Asked| format!("noisemeter name={name} regions=\"{}\"", regions(asked));
    let hd_meter = meter("only", &Asked::patches(&nv12.format, plan.hd_patch, true));
    let uhd_meter = meter("only", &Asked::patches(&uhd.format, plan.uhd_patch, true));

    let rows = steadiness(plan, uhd, &uhd_meter)?;
    let convert = "videoconvert name=first ! video/x-raw,format=Y42B ! videoanalyse name=last message=false";
    let stages = [
        ("noisemeter, HD NV12", Stage::start(&nv12, &hd_meter, false)?),
        ("videoanalyse, HD I420", Stage::start(&i420, "videoanalyse name=only message=false", false)?),
        ("videobalance, HD NV12", Stage::start(&nv12, "videobalance name=only contrast=1.1", true)?),
        ("noisemeter, UHD I422_10", Stage::start(uhd, &uhd_meter, false)?),
        ("noisemeter grid=16x9, UHD I422_10", Stage::start(uhd, "noisemeter name=only grid=16x9", false)?),
        ("videoconvert + videoanalyse, UHD I422_10", Stage::start(uhd, convert, false)?),
    ];
    let parties = stages.into_iter().map(|(name, mut stage)| {
        let turn: Turn<'_> = Box::new(move || stage.mean(plan.turn));
        (name.to_owned(), turn)
    });
    let stream = Stream { ring: &nv12, at: Cell::new(0) };
    let alone = metering(&stream, Asked::patches(&nv12.format, plan.hd_patch, false), plan.turn);
    let parties = parties.chain([("meter alone, pair-wise, HD NV12".to_owned(), alone)]);
    let rounds = Rounds::run(parties.collect(), plan)?;
    let stock = [
        times(
            "HD, videoanalyse to noisemeter",
            rounds.ratio("videoanalyse, HD I420", "noisemeter, HD NV12"),
            at_least(6.0, 9.0),
        ),
        times(
            "UHD of 10 bits, videoconvert + videoanalyse to noisemeter",
            rounds.ratio("videoconvert + videoanalyse, UHD I422_10", "noisemeter, UHD I422_10"),
            at_least(8.0, 11.0),
        ),
        times(
            "HD, videoanalyse to the meter alone, pair-wise",
            rounds.ratio("videoanalyse, HD I420", "meter alone, pair-wise, HD NV12"),
            None,
        ),
        times(
            "HD, videobalance to noisemeter",
            rounds.ratio("videobalance, HD NV12", "noisemeter, HD NV12"),
            None,
        ),
    ];
    let spent: Vec<Row> = rounds.milliseconds().map(|(name, found)| milliseconds(name, found)).collect();
    Ok([
        table("Among stock elements, 24 patches with the full set", &stock, plan.judged),
        table("CPU time of a frame between the pads", &spent, plan.judged),
        table("Steadiness of the element, UHD, 24 patches with the full set", &rows, plan.judged),
    ]
    .concat())
}

/// Frame by frame over many windows: the slowest against the usual one, an old element against a new one, memory.
fn steadiness(plan: &Plan, uhd: &Ring, line: &str) -> Result<Vec<Row>, String> {
    let mut old = Stage::start(uhd, line, false)?;
    old.turn(SETTLING)?;
    let tenth = plan.frames / 10;
    let (worker, mut memory) = (clock::threads("noisemeter"), Vec::new());
    let mut spent: Vec<f64> = Vec::new();
    for _ in 0..10 {
        spent.extend(old.turn(tenth)?.into_iter().map(|time| time as f64));
        memory.push(clock::resident() as f64);
    }
    let worker = (clock::threads("noisemeter") - worker) as f64 / spent.len() as f64;
    spent.sort_by(f64::total_cmp);
    let median = quantile(&spent, 0.5);
    let parted = |p| Spread::once(quantile(&spent, p) / median);

    let mut new = Stage::start(uhd, line, false)?;
    new.turn(SETTLING)?;
    let (old, new) = (RefCell::new(old), RefCell::new(new));
    let parties: Vec<(String, Turn<'_>)> = vec![
        ("old".into(), Box::new(|| old.borrow_mut().mean(plan.turn))),
        ("new".into(), Box::new(|| new.borrow_mut().mean(plan.turn))),
    ];
    let rounds = Rounds::run(parties, plan)?;
    let (first, last) = (memory[0], memory[memory.len() - 1]);
    Ok(vec![
        times(
            format!("99.9th percentile of {} frames to the median", spent.len()),
            parted(0.999),
            at_most(2.0, 1.3),
        ),
        times("99th percentile to the median", parted(0.99), None),
        times(
            format!("a frame after {} frames, to one after {SETTLING}", plan.frames),
            rounds.ratio("old", "new"),
            at_most(1.05, 1.05),
        ),
        times(
            format!("memory after {} frames, to that after {tenth}", plan.frames),
            Spread::once(last / first),
            at_most(1.05, 1.05),
        ),
        Row {
            name: "memory, the ring of frames with it".into(),
            unit: Unit::Megabytes,
            found: Spread::once(last / 1e6),
            line: None,
        },
        milliseconds("a frame, median", Spread::once(median / 1e6)),
        milliseconds("worker thread, a frame", Spread::once(worker / 1e6)),
    ])
}
