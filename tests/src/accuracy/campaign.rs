//! The campaign in parts: each records, measures and judges, and says in a table what came out.

use noise_measure::format::Channel;

use super::case::{self, Outcome};
use super::cases::{Group, filters};
use super::coverage::Cover;
use super::lamps::{self, CARDS, LAMPS, RATES, SECONDS, Scene};
use super::parallel;
use super::quantity::Quantity;
use super::sensor;
use super::statistics::{Scores, binomial_band};
use super::table::{self, Row};

/// What came out of a part.
#[derive(Debug, Clone)]
pub struct Part {
    /// A word for the command line.
    pub word: &'static str,
    /// The heading.
    pub title: &'static str,
    /// Tables.
    pub text: String,
    /// What does not hold, a line each.
    pub faults: Vec<String>,
}

impl Part {
    fn of_rows(word: &'static str, title: &'static str, rows: &[Row]) -> Self {
        let text = rows.iter().map(table::number).collect::<String>();
        let faults = rows.iter().filter(|row| !row.fault.is_empty()).map(|row| format!("{row:?}")).collect();
        Self { word, title, text: format!("{}{text}", table::NUMBERS), faults }
    }
}

/// The numbers of a group of cases.
#[must_use]
pub fn numbers(group: &Group, seeds: usize) -> Part {
    let outcomes: Vec<Outcome> = group.cases.iter().map(|case| case.run(seeds)).collect();
    let mut rows: Vec<Row> = outcomes.iter().flat_map(|o| &o.findings).map(Row::from).collect();
    if group.word == "recursive" {
        rows.extend(filters::COEFFICIENTS.into_iter().map(|a| window_lengths(a, seeds)));
    }
    let mut part = Part::of_rows(group.word, group.title, &rows);
    if rows.is_empty() {
        part.text.clear();
    }
    let said: String = outcomes.iter().flat_map(|outcome| &outcome.said).map(table::saying).collect();
    if !said.is_empty() {
        let gap = if part.text.is_empty() { "" } else { "\n" };
        part.text += &format!("{gap}{}{said}", table::SAYINGS);
    }
    part.faults = outcomes.iter().flat_map(Outcome::faults).collect();
    part.faults.extend(rows.iter().filter(|row| !row.fault.is_empty()).map(|row| format!("{row:?}")));
    part
}

/// `temporal_long` behind the filter `a` in long windows over that in short ones: the same noise.
fn window_lengths(a: f64, seeds: usize) -> Row {
    let name = format!("a = {a}, windows of 60 over windows of 24");
    let stages = filters::WINDOWS.map(|frames| filters::recursive_stage(a, frames));
    let ratios = parallel::map(seeds, |index| {
        let [short, long] = [0, 1].map(|k| {
            let record = stages[k].window(case::seed(&name, 2 * index + k));
            let reading = Quantity::TemporalLong.read(&record, Channel::Y).expect("the filter is recursive");
            (reading.value, reading.error.expect("a record's own error") / reading.value)
        });
        // Half of a variance's relative error is its root's.
        ((long.0 / short.0).sqrt(), 0.5 * short.1.hypot(long.1))
    });
    Row::of_values(&name, "Y `temporal_long`", 1.0, &ratios, 4, "")
}

/// Photon transfer and ladders.
#[must_use]
pub fn sensor(seeds: usize) -> Part {
    let rows: Vec<Row> = sensor::photon_transfer(seeds).into_iter().chain(sensor::ladders(seeds)).collect();
    Part::of_rows("sensor", "A sensor measured by hand", &rows)
}

/// How often intervals hold the truth, over `count` recordings of each set-up.
#[must_use]
pub fn intervals(covers: &[Cover], count: usize) -> Part {
    let covered: Vec<_> = covers.iter().map(|cover| cover.run(count)).collect();
    Part {
        word: "intervals",
        title: "Intervals",
        text: table::INTERVALS.to_owned() + &covered.iter().map(table::interval).collect::<String>(),
        faults: covered.iter().filter(|c| !c.holds()).map(|covered| format!("{covered:?}")).collect(),
    }
}

/// Lamps of `depths`; of all scenes every `stride`th.
#[must_use]
pub fn lamps(depths: &[f64], stride: usize) -> Part {
    let scenes: Vec<Scene> = depths.iter().flat_map(|&depth| lamps::scenes(depth)).step_by(stride).collect();
    let told = parallel::map(scenes.len(), |index| scenes[index].told(index, SECONDS));
    let patterns = parallel::map(scenes.len(), |index| {
        let scene = scenes[index];
        (scene.locked() && scene.readout > 0.0).then(|| lamps::pattern(scene, index)).flatten()
    });
    let mut text =
        "| lamp | frames a second | seen as | clips × cards that move by more than 0.1 dB | told | \
                    standing patterns of more than 0.1 dB | found at strength | mean z | rms z | |\n\
                    |---|---|---|---|---|---|---|---|---|---|\n"
            .to_owned();
    let mut faults = Vec::new();
    for frequency in LAMPS {
        for rate in RATES {
            let here: Vec<usize> = (0..scenes.len())
                .filter(|&i| scenes[i].lamp.frequency == frequency && scenes[i].rate == rate)
                .collect();
            let Some(first) = here.first().map(|&i| scenes[i]) else { continue };
            let mut due = Vec::new();
            for &i in here.iter().filter(|&&i| !scenes[i].locked()) {
                for (rows, told) in CARDS.iter().zip(&told[i]) {
                    if scenes[i].effect(rows).matters() {
                        due.push((i, rows, told));
                    }
                }
            }
            let missed: Vec<_> = due.iter().filter(|(_, _, told)| !told.anything()).collect();
            faults.extend(
                missed.iter().map(|(i, rows, told)| format!("{:?} rows {rows:?}: {told:?}", scenes[*i])),
            );
            let found: Vec<(f64, f64)> = here.iter().filter_map(|&i| patterns[i]).collect();
            let mut verdict = if missed.is_empty() { "holds" } else { "**missed**" };
            let cells = if found.is_empty() {
                "– | – | – | –".to_owned()
            } else {
                let z: Vec<f64> = found.iter().map(|(strength, error)| (strength - 1.0) / error).collect();
                let (scores, count) = (Scores::of(&z), z.len() as f64);
                let mean = found.iter().map(|(strength, _)| strength).sum::<f64>() / count;
                // Fewer than 64: the same four standard errors of the mean.
                if scores.mean.abs() > 4.0 / count.sqrt() {
                    verdict = "**out of bounds**";
                    faults.push(format!("{first:?}: patterns at {mean} of their strength, {scores:?}"));
                }
                format!("{} | {mean:.3} | {:.2} | {:.2}", found.len(), scores.mean, scores.rms)
            };
            let seen = if first.locked() {
                format!("stands ({:.2} Hz)", first.alias())
            } else {
                format!("{:.2} Hz", first.alias())
            };
            text += &format!(
                "| {frequency} Hz | {:.3} | {seen} | {} | {} | {cells} | {verdict} |\n",
                first.rate(),
                due.len(),
                due.len() - missed.len(),
            );
        }
    }
    let (said, fault) = steady(lamps::scenes(0.0).len() / stride);
    text += &said;
    faults.extend(fault);
    Part { word: "lamps", title: "Lamps", text, faults }
}

/// What the meter says of steady light, in `count` clips: it may find a flicker in one of a hundred, by its test's level,
/// and bands in no more.
fn steady(count: usize) -> (String, Option<String>) {
    let scenes = lamps::scenes(0.0);
    let told = parallel::map(count, |index| {
        scenes[index % scenes.len()].told(scenes.len() + index, SECONDS).remove(0)
    });
    let (flicker, bands) = (
        told.iter().filter(|told| told.flicker_hz.is_some()).count(),
        told.iter().filter(|told| told.band).count(),
    );
    // Each of a clip's windows is tested for bands.
    let most = |chance: f64| binomial_band(count, chance, 0.999).1;
    let right = flicker <= most(0.01) && bands <= most(1.0 - 0.99_f64.powi(SECONDS as i32));
    let text = format!(
        "\nOf {count} clips under a steady lamp {flicker} were said to flicker and {bands} to have moving bands; by the \
         tests' levels {:.0} and {:.0} may be.\n",
        0.01 * count as f64,
        (1.0 - 0.99_f64.powi(SECONDS as i32)) * count as f64
    );
    let fault = (!right).then(|| text.trim().to_owned());
    (text, fault)
}
