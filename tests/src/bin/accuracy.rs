//! Holds the meter against the simulated camera and writes what came out into the book.
//!
//! `accuracy` runs everything and rewrites the tables in docs/accuracy.md; `accuracy PART…` prints the tables of some
//! parts and leaves the book alone.

use std::path::Path;
use std::process::ExitCode;
use std::time::Instant;

use noisemeter_tests::accuracy::campaign::{self, Part};
use noisemeter_tests::accuracy::{case, cases, coverage, lamps};
use noisemeter_tests::book;

/// Between these lines of the book stands what this program wrote.
const MARKS: [&str; 2] = ["<!-- tables: written by tests/accuracy.sh -->", "<!-- end of tables -->"];

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let parts = match run(&words) {
        Ok(parts) => parts,
        Err(problem) => {
            eprintln!("{problem}");
            return ExitCode::from(2);
        }
    };
    let text: String = parts.iter().map(|part| format!("\n### {}\n\n{}", part.title, part.text)).collect();
    if words.is_empty() {
        let page = Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/accuracy.md");
        if let Err(problem) = book::write(&page, MARKS, &text) {
            eprintln!("{problem}");
            return ExitCode::from(2);
        }
    } else {
        print!("{text}");
    }
    let faults: Vec<&String> = parts.iter().flat_map(|part| &part.faults).collect();
    for fault in &faults {
        eprintln!("does not hold: {fault}");
    }
    if faults.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// A part that is no group of cases, by its word.
type Experiment = (&'static str, fn() -> Part);

/// Runs the parts called `words`, or all.
fn run(words: &[String]) -> Result<Vec<Part>, String> {
    let groups = cases::all();
    let others: [Experiment; 3] = [
        ("sensor", || campaign::sensor(case::SEEDS)),
        ("intervals", || campaign::intervals(&cases::intervals(), coverage::FULL)),
        ("lamps", || campaign::lamps(&lamps::DEPTHS, 1)),
    ];
    let known: Vec<&str> =
        groups.iter().map(|group| group.word).chain(others.map(|(word, _)| word)).collect();
    if let Some(word) = words.iter().find(|word| !known.contains(&word.as_str())) {
        return Err(format!("{word}: no such part; there are {}", known.join(", ")));
    }
    let asked = |word: &str| words.is_empty() || words.iter().any(|asked| asked == word);
    let mut parts = Vec::new();
    let mut take = |word: &str, part: &dyn Fn() -> Part| {
        if asked(word) {
            let began = Instant::now();
            parts.push(part());
            eprintln!("{word}: {:.0} s", began.elapsed().as_secs_f64());
        }
    };
    for group in &groups {
        take(group.word, &|| campaign::numbers(group, case::SEEDS));
    }
    for (word, part) in others {
        take(word, &part);
    }
    Ok(parts)
}
