//! The meter alone, on whole frames: beside one read of them, beside general libraries, and as regions grow in number.

use std::cell::{Cell, RefCell};
use std::fs::File;
use std::hint::black_box;
use std::io::Write;
use std::path::{Path, PathBuf};

use super::clock;
use super::peers::Peers;
use super::plan::Plan;
use super::report::{Row, at_least, at_most, milliseconds, share, table, times};
use super::rounds::{Rounds, Spread, Turn};
use super::workloads::{Asked, Layout, Ring, patches, read};

/// Frames on which values are compared before anything is timed.
const CHECKED: usize = 4;
/// Columns and rows of patches, of which some are taken.
const MOST: (u32, u32) = (12, 5);
/// How many of them, over which time is to grow along a straight line.
const GROWTH: [usize; 6] = [6, 12, 24, 36, 48, 60];
/// Differences of a few percent need more rounds than ratios.
const MORE: usize = 3;

/// Successive frames for everybody: whoever takes a turn gets frames that nobody read for long.
#[derive(Debug)]
pub struct Stream<'a> {
    /// The frames.
    pub ring: &'a Ring,
    /// The last one that was taken.
    pub at: Cell<usize>,
}

impl Stream<'_> {
    fn next(&self) -> usize {
        self.at.set(self.at.get() + 1);
        self.at.get()
    }
}

/// A turn of reading each frame `reads` times: itself, and the one before.
fn reading<'a>(stream: &'a Stream<'a>, reads: usize, frames: usize) -> Turn<'a> {
    Box::new(move || {
        let mut spent = 0;
        for k in 0..frames {
            let index = stream.next() + stream.ring.count();
            let began = clock::thread();
            for back in (0..reads).rev() {
                black_box(read(black_box(stream.ring.frame(index - back))));
            }
            spent += if k > 0 { clock::thread() - began } else { 0 };
        }
        Ok(spent as f64 / (frames - 1) as f64)
    })
}

/// A turn of a meter.
pub fn metering<'a>(stream: &'a Stream<'a>, asked: Asked, frames: usize) -> Turn<'a> {
    let mut meter = asked.meter(&stream.ring.format);
    Box::new(move || {
        let mut spent = 0;
        for k in 0..frames {
            let index = stream.next();
            let began = clock::thread();
            asked.add(&mut meter, black_box(stream.ring), index, k > 0);
            spent += if k > 0 { clock::thread() - began } else { 0 };
        }
        Ok(spent as f64 / (frames - 1) as f64)
    })
}

/// Writes all frames of a ring into a file.
///
/// # Errors
/// One line that names the file.
pub fn write(ring: &Ring, path: &Path) -> Result<(), String> {
    let told = |error: std::io::Error| format!("{}: {error}", path.display());
    let mut file = File::create(path).map_err(told)?;
    (0..ring.count()).try_for_each(|index| file.write_all(ring.frame(index))).map_err(told)
}

/// What is compared with the peers.
struct Work<'a> {
    name: &'static str,
    ring: &'a Ring,
    asked: Asked,
    /// Another set that is checked alongside.
    also: Option<Asked>,
}

/// Runs it; the tables.
///
/// # Errors
/// Where a peer fails or a number is wrong.
pub fn run(plan: &Plan, uhd: &Ring, peers: &RefCell<Peers>, folder: &Path) -> Result<String, String> {
    let hd = Ring::new(Layout::Nv12, plan.hd.0, plan.hd.1, plan.hd_ring);
    let patch = |full| Asked::patches(&uhd.format, plan.uhd_patch, full);
    let hd_patch = |full| Asked::patches(&hd.format, plan.hd_patch, full);
    let works = [
        Work { name: "W1", ring: uhd, asked: patch(false), also: Some(patch(true)) },
        Work { name: "W2", ring: &hd, asked: hd_patch(false), also: Some(hd_patch(true)) },
        Work { name: "W3", ring: uhd, asked: Asked::grid(), also: None },
        Work { name: "W4", ring: uhd, asked: patch(true), also: None },
    ];
    prepare(&works, peers, folder)?;

    let (uhd_stream, hd_stream) =
        (Stream { ring: uhd, at: Cell::new(0) }, Stream { ring: &hd, at: Cell::new(0) });
    let turn = plan.turn;
    let mut parties: Vec<(String, Turn<'_>)> = vec![
        ("one read, UHD".into(), reading(&uhd_stream, 1, turn)),
        ("two reads, UHD".into(), reading(&uhd_stream, 2, turn)),
        ("one read, HD".into(), reading(&hd_stream, 1, turn)),
    ];
    let mut meter = |name: &str, stream, asked| {
        parties.push((name.to_owned(), metering(stream, asked, turn)));
    };
    meter("no region, UHD", &uhd_stream, Asked::default());
    meter("W1", &uhd_stream, patch(false));
    meter("W1 full set", &uhd_stream, patch(true));
    meter("W2", &hd_stream, hd_patch(false));
    meter("W2 full set", &hd_stream, hd_patch(true));
    meter("W3", &uhd_stream, Asked::grid());
    for work in &works {
        for peer in ["numpy", "OpenCV"] {
            let take = move || peers.borrow_mut().time(work.name, peer, turn);
            parties.push((format!("{} {peer}", work.name), Box::new(take)));
        }
    }
    let sigma = move || peers.borrow_mut().time("W1", "scikit-image", turn);
    parties.push(("W1 scikit-image".into(), Box::new(sigma)));
    let rounds = Rounds::run(parties, plan)?;
    Ok(tables(&rounds, plan) + &growth(plan, uhd)?)
}

/// What regions cost as they grow in number: one, sixty, very many; pair-wise.
fn growth(plan: &Plan, uhd: &Ring) -> Result<String, String> {
    let stream = Stream { ring: uhd, at: Cell::new(0) };
    let squares = |cols, rows, size, count: usize| {
        let all = patches(&uhd.format, cols, rows, size);
        let last = all.len();
        // Evenly spread, so that it does not matter which they are.
        let some =
            all.into_iter().enumerate().filter(|(i, _)| i * count % last < count).map(|(_, region)| region);
        Asked { regions: some.collect(), ..Asked::default() }
    };
    let mut one = Asked::patches(&uhd.format, plan.uhd_patch, false);
    one.regions.truncate(1);
    let ((cols, rows, small), (across, down, large)) = (plan.many, plan.few);
    let mut asked = vec![
        ("none".to_owned(), Asked::default()),
        ("one".to_owned(), one),
        ("many small".to_owned(), squares(cols, rows, small, (cols * rows) as usize)),
        ("few large".to_owned(), squares(across, down, large, (across * down) as usize)),
    ];
    asked.extend(GROWTH.map(|n| (format!("{n} patches"), squares(MOST.0, MOST.1, plan.uhd_patch, n))));
    let parties = asked.into_iter().map(|(name, asked)| (name, metering(&stream, asked, plan.turn)));
    let rounds = Rounds::run(parties.collect(), &Plan { rounds: MORE * plan.rounds, ..plan.clone() })?;
    let rows = [
        share(
            "one 200×200 patch over none",
            rounds.of(|time| time("one") / time("none") - 1.0),
            at_most(0.04, 0.025),
        ),
        share(
            "the same, a 24th of what 24 patches cost",
            rounds.of(|time| (time("24 patches") / time("none") - 1.0) / 24.0),
            None,
        ),
        share(
            "6 to 60 patches: farthest from a straight line",
            Spread::once(bend(&rounds)),
            at_most(0.05, 0.05),
        ),
        times(
            format!("{} small regions, to as many samples in large ones", cols * rows),
            rounds.ratio("many small", "few large"),
            at_most(1.5, 1.5),
        ),
        times(
            "the same, without what a frame costs that has none",
            rounds.of(|time| (time("many small") - time("none")) / (time("few large") - time("none"))),
            None,
        ),
    ];
    let spent: Vec<Row> = rounds.milliseconds().map(|(name, found)| milliseconds(name, found)).collect();
    Ok(table("As regions grow in number, UHD, pair-wise", &rows, plan.judged)
        + &table("CPU time of a frame with them", &spent, plan.judged))
}

/// Writes the frames, and has all numbers checked.
fn prepare(works: &[Work<'_>], peers: &RefCell<Peers>, folder: &Path) -> Result<(), String> {
    let mut written: Vec<(Layout, PathBuf)> = Vec::new();
    for Work { name, ring, asked, also } in works {
        let known = written.iter().find(|(layout, _)| *layout == ring.layout);
        let path = match known {
            Some((_, path)) => path.clone(),
            None => {
                let path = folder.join(ring.layout.name());
                write(ring, &path)?;
                written.push((ring.layout, path.clone()));
                path
            }
        };
        let records = [Some(asked), also.as_ref()].into_iter().flatten().map(|asked| {
            serde_json::to_string(&asked.record(ring, CHECKED)).map_err(|error| format!("{name}: {error}"))
        });
        let records = records.collect::<Result<Vec<String>, String>>()?;
        let mut peers = peers.borrow_mut();
        peers.prepare(name, &path, ring, asked)?;
        peers.check(name, CHECKED, &records)?;
    }
    // The peers have them in memory now.
    written.iter().try_for_each(|(_, path)| std::fs::remove_file(path)).map_err(|error| error.to_string())
}

fn tables(rounds: &Rounds, plan: &Plan) -> String {
    let floor = [
        times(
            "W1 pair-wise, to one read of the frame",
            rounds.ratio("W1", "one read, UHD"),
            at_most(2.4, 1.7),
        ),
        times("W1 full set, to one read", rounds.ratio("W1 full set", "one read, UHD"), at_most(3.2, 2.4)),
        times("W3 grid, to two reads", rounds.ratio("W3", "two reads, UHD"), at_most(2.0, 1.4)),
        times("W2 pair-wise, to one read", rounds.ratio("W2", "one read, HD"), None),
        times("W2 full set, to one read", rounds.ratio("W2 full set", "one read, HD"), None),
    ];
    let stack = |time: &dyn Fn(&str) -> f64| time("W1 full set") - time("no region, UHD");
    let general = [
        times("W1, numpy to ours", rounds.ratio("W1 numpy", "W1"), at_least(7.0, 9.0)),
        times("W1, OpenCV to ours", rounds.ratio("W1 OpenCV", "W1"), at_least(8.0, 10.0)),
        times("W3, numpy to ours", rounds.ratio("W3 numpy", "W3"), at_least(18.0, 25.0)),
        times("W3, OpenCV to ours", rounds.ratio("W3 OpenCV", "W3"), at_least(22.0, 30.0)),
        times("W2, numpy to ours", rounds.ratio("W2 numpy", "W2"), None),
        times("W2, OpenCV to ours", rounds.ratio("W2 OpenCV", "W2"), None),
        times("W4, numpy to ours", rounds.of(|time| time("W4 numpy") / stack(time)), None),
        times("W4, OpenCV to ours", rounds.of(|time| time("W4 OpenCV") / stack(time)), None),
        times("scikit-image, one number a luma patch, to W1", rounds.ratio("W1 scikit-image", "W1"), None),
    ];
    let spent: Vec<Row> = rounds.milliseconds().map(|(name, found)| milliseconds(name, found)).collect();
    [
        table("Beside one read of memory", &floor, plan.judged),
        table("Beside general libraries, one thread", &general, plan.judged),
        table("CPU time of a frame behind these ratios", &spent, plan.judged),
    ]
    .concat()
}

/// Largest relative distance of a median time from the straight line through all, over the number of patches.
fn bend(rounds: &Rounds) -> f64 {
    let median = |count: usize| rounds.of(|time| time(&format!("{count} patches"))).median;
    let points: Vec<(f64, f64)> = GROWTH.iter().map(|&count| (count as f64, median(count))).collect();
    let n = points.len() as f64;
    let mean = points.iter().fold((0.0, 0.0), |sum, (x, y)| (sum.0 + x / n, sum.1 + y / n));
    let slope = points.iter().map(|(x, y)| (x - mean.0) * (y - mean.1)).sum::<f64>()
        / points.iter().map(|(x, _)| (x - mean.0).powi(2)).sum::<f64>();
    let far = points.iter().map(|(x, y)| {
        let line = mean.1 + slope * (x - mean.0);
        (y - line).abs() / line
    });
    far.fold(0.0, f64::max)
}
