//! Two clips at once, each with one decoder thread, against one such clip, by the program itself.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

use super::plan::Plan;
use super::report::{Row, Unit, at_least, table, times};
use super::rounds::Spread;
use super::workloads::{Asked, Layout};
use super::{decode, elements, workloads::Ring};

/// Runs it; the table. The program divides the cores among its jobs, so as many clips are given as there are cores; those
/// that do not count have one frame.
///
/// # Errors
/// Where the program fails.
pub fn run(plan: &Plan, clip: &Path, folder: &Path) -> Result<String, String> {
    let here = std::env::current_exe().map_err(|error| error.to_string())?;
    let program = here.with_file_name("lowlight");
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    if cores < 2 {
        return Ok("Two clips at once were not measured: this machine has one core.\n\n".into());
    }
    let second = folder.join(Path::new("second").with_extension("mov"));
    fs::hard_link(clip, &second)
        .or_else(|_| fs::copy(clip, &second).map(|_| ()))
        .map_err(|e| e.to_string())?;
    let shorts = folder.join("short");
    fs::create_dir_all(&shorts).map_err(|error| error.to_string())?;
    let short = decode::encode(decode::PRORES, &Ring::new(Layout::I422Ten, 64, 36, 1), 1, &shorts)?;
    let short = (0..cores - 1)
        .map(|number| {
            let path = shorts.join(format!("short{number}.mov"));
            fs::copy(&short, &path).map(|_| path).map_err(|error| error.to_string())
        })
        .collect::<Result<Vec<PathBuf>, String>>()?;
    let format = decode::PRORES.layout.format(plan.uhd.0, plan.uhd.1);
    let regions = elements::regions(&Asked::patches(&format, plan.uhd_patch, true));
    let measure = |long: &[&Path]| -> Result<f64, String> {
        let out = tempfile::tempdir_in(folder).map_err(|error| error.to_string())?;
        let mut command = Command::new(&program);
        command
            .args(["measure", "--regions", &regions, "--jobs", &cores.to_string(), "--out"])
            .arg(out.path());
        command.args(long).args(&short[..cores - long.len()]);
        let began = Instant::now();
        let output = command.output().map_err(|error| format!("{}: {error}", program.display()))?;
        let time = began.elapsed().as_secs_f64();
        if output.status.success() {
            Ok(time)
        } else {
            Err(String::from_utf8_lossy(&output.stderr).into_owned())
        }
    };
    let (mut ratios, mut alone) = (Vec::new(), Vec::new());
    for round in 0..=plan.clip_rounds {
        let (one, two) = if round % 2 == 0 {
            let one = measure(&[clip])?;
            (one, measure(&[clip, &second])?)
        } else {
            let two = measure(&[clip, &second])?;
            (measure(&[clip])?, two)
        };
        // The first round fills caches of files.
        if round > 0 {
            ratios.push(2.0 * one / two);
            alone.push(1e3 * one / plan.clip_frames as f64);
        }
    }
    let rows = [
        times("clips a second, two at once to one alone", Spread::of(ratios), at_least(1.7, 1.9)),
        Row {
            name: "one alone, a frame".into(),
            unit: Unit::Milliseconds,
            found: Spread::of(alone),
            line: None,
        },
    ];
    Ok(table("Several clips, one decoder thread each (UHD ProRes HQ, wall time)", &rows, plan.judged))
}
