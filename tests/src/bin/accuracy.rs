//! Holds the meter against the simulated camera and writes what came out into the book.

use std::time::Instant;

use noisemeter_tests::accuracy::{cases, table};

fn main() {
    let mut words: Vec<String> = std::env::args().skip(1).collect();
    let seeds = words
        .iter()
        .position(|w| w.parse::<usize>().is_ok())
        .map_or(64, |at| words.remove(at).parse().unwrap());
    for group in cases::all() {
        if !words.is_empty() && !words.iter().any(|word| word == group.word) {
            continue;
        }
        println!("### {}\n\n{}", group.title, table::NUMBERS.trim_end());
        for case in &group.cases {
            let began = Instant::now();
            let outcome = case.run(seeds);
            outcome.findings.iter().for_each(|finding| print!("{}", table::number(finding)));
            outcome.said.iter().for_each(|said| print!("{}", table::saying(said)));
            eprintln!("{} {:?}", case.name, began.elapsed());
        }
    }
}
