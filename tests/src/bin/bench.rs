//! Measures how fast the meter is, and writes what came out into the book.
//!
//! `bench PYTHON` measures everything and rewrites the tables in docs/performance.md; `bench PYTHON PART…` prints the
//! tables of some parts and leaves the book alone, and so does `--quick`, which takes seconds and whose figures mean
//! nothing. PYTHON is one that has tests/bench/requirements.txt.

use std::cell::RefCell;
use std::path::Path;
use std::process::ExitCode;

use noisemeter_tests::bench::peers::Peers;
use noisemeter_tests::bench::plan::Plan;
use noisemeter_tests::bench::workloads::{Layout, Ring};
use noisemeter_tests::bench::{decode, elements, kernels, machine, streams};
use noisemeter_tests::book;

/// Between these lines of the book stands what this program wrote.
const MARKS: [&str; 2] = ["<!-- tables: written by tests/bench.sh -->", "<!-- end of tables -->"];
/// What can be asked for.
const PARTS: [&str; 4] = ["kernels", "elements", "decode", "streams"];

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    match run(&words) {
        Ok(()) => ExitCode::SUCCESS,
        Err(problem) => {
            eprintln!("{problem}");
            ExitCode::from(2)
        }
    }
}

fn run(words: &[String]) -> Result<(), String> {
    let (python, words) = words.split_first().ok_or("usage: bench PYTHON [--quick] [PART…]")?;
    let quick = words.iter().any(|word| word == "--quick");
    let asked: Vec<&str> = words.iter().map(String::as_str).filter(|word| *word != "--quick").collect();
    if let Some(word) = asked.iter().find(|word| !PARTS.contains(word)) {
        return Err(format!("{word}: no such part; there are {}", PARTS.join(", ")));
    }
    let wanted = |part: &str| asked.is_empty() || asked.contains(&part);
    let plan = if quick { Plan::quick() } else { Plan::full() };
    gst::init().map_err(|error| error.to_string())?;
    gstnoisemeter::plugin_register_static().map_err(|error| error.to_string())?;
    let folder = tempfile::tempdir().map_err(|error| error.to_string())?;
    let uhd = Ring::new(Layout::I422Ten, plan.uhd.0, plan.uhd.1, plan.uhd_ring);
    let peers = RefCell::new(Peers::start(python)?);
    let mut text = machine::describe(&peers.borrow().versions) + "\n";
    let mut told = |part: String| {
        eprint!("{part}");
        text += &part;
    };
    if wanted("elements") {
        told(elements::run(&plan, &uhd)?);
    }
    if wanted("kernels") {
        told(kernels::run(&plan, &uhd, &peers, folder.path())?);
    }
    if wanted("decode") || wanted("streams") {
        let prores = decode::encode(decode::PRORES, &uhd, plan.clip_frames, folder.path())?;
        if wanted("decode") {
            let ring = Ring::new(decode::H265.layout, plan.uhd.0, plan.uhd.1, plan.uhd_ring);
            let h265 = decode::encode(decode::H265, &ring, plan.clip_frames, folder.path())?;
            told(decode::run(&plan, &prores, &h265, folder.path())?);
        }
        if wanted("streams") {
            told(streams::run(&plan, &prores, folder.path())?);
        }
    }
    if plan.judged && asked.is_empty() {
        let page = Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/performance.md");
        return book::write(&page, MARKS, &text);
    }
    println!("{text}");
    Ok(())
}
