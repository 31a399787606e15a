//! `lowlight simulate`: a demo session of simulated cameras, whose truth is known.

mod clip;
mod curve;
mod render;
pub mod scenario;
mod session;
pub mod settings;
mod story;

use std::path::{Path, PathBuf};

use crate::cli::SimulateArgs;
use crate::errors::Error;
use crate::files::about;
use crate::progress::Talk;
use crate::results::{prepare_directory, rename};
use crate::signals::Stop;
use crate::text::shown;
use clip::{Made, Pending};
use scenario::Take;
use settings::Settings;
use simulated_camera::Scene;

/// Where clips lie in the session.
const CLIPS: &str = "clips";
/// Name of the layout file.
const CHART: &str = "chart.json";
/// Name of the story.
const STORY: &str = "README.txt";
/// What describes the clips. The session file is the last to go and the first to come: by it a directory of ours is told.
const FILES: [&str; 4] = [STORY, CHART, curve::FILE, session::FILE];
/// Nanoseconds in a second.
const SECOND: u64 = 1_000_000_000;

/// Everything is there.
const DONE: u8 = 0;

/// Renders the session that `args` ask for; the exit code.
///
/// # Errors
/// Wrong usage, a directory with other things in it, or a clip that could not be rendered.
pub fn run(args: &SimulateArgs) -> Result<u8, Error> {
    let settings = Settings::check(args)?;
    let session = Session::open(&args.directory, settings)?;
    let stop = Stop::listen().map_err(|error| Error::usage("signals", error.to_string()))?;
    start_gstreamer().map_err(|problem| Error::usage("GStreamer", problem))?;

    let takes = scenario::takes(settings.steps, settings.seed);
    let (mut bytes, mut todo) = (0, Vec::new());
    for take in &takes {
        let made = Made::new(take, &settings).map_err(|problem| Error::usage(take.clip(), problem))?;
        match clip::unchanged(&session.clip(take), &made) {
            Some(size) => bytes += size,
            None => todo.push((take, made)),
        }
    }
    if !todo.is_empty() {
        session.clear()?;
    }
    let mut talk = Talk::new(todo.len());
    let kept = takes.len() - todo.len();
    if kept > 0 {
        talk.line(&format!("{kept} of {} clips were there, made with the same settings", takes.len()));
    }
    for (index, (take, made)) in todo.iter().enumerate() {
        match session.render(index, take, made, &stop, &mut talk) {
            Ok(Some(size)) => bytes += size,
            Ok(None) => {
                talk.end();
                talk.line(&format!(
                    "lowlight: stopped; {} of {} clips are done and kept, the same command goes on from here",
                    kept + index,
                    takes.len()
                ));
                return Ok(stop.exit_code().unwrap_or(DONE));
            }
            Err(problem) => {
                talk.end();
                return Err(Error::usage(shown(session.clip(take).as_os_str()), problem));
            }
        }
    }
    talk.end();
    session.describe(&takes)?;
    let directory = shown(args.directory.as_os_str());
    talk.line(&format!(
        "{directory}: {} clips, {:.1} MB; {STORY} tells what they are and what to run next",
        takes.len(),
        bytes as f64 / 1e6
    ));
    let others = session.others(&takes);
    if others > 0 {
        talk.line(&format!("{directory}/{CLIPS} also holds {others} clips of another session"));
    }
    Ok(DONE)
}

/// Once, before any use of an installed copy of the plugin, which would clash with ours.
fn start_gstreamer() -> Result<(), String> {
    gst::init().map_err(|error| error.to_string())?;
    gstnoisemeter::plugin_register_static().map_err(|error| error.to_string())
}

/// A session on disk.
#[derive(Debug)]
struct Session {
    directory: PathBuf,
    settings: Settings,
}

impl Session {
    /// The session in `directory`, which is made if missing.
    fn open(directory: &Path, settings: Settings) -> Result<Self, Error> {
        let name = shown(directory.as_os_str());
        let ours = std::fs::read_to_string(directory.join(session::FILE))
            .is_ok_and(|text| text.starts_with(session::MARK));
        let taken =
            FILES.into_iter().find(|file| !ours && std::fs::symlink_metadata(directory.join(file)).is_ok());
        if let Some(file) = taken {
            let problem =
                format!("holds a {file} that lowlight simulate did not write; name another directory");
            return Err(Error::usage(name, problem));
        }
        prepare_directory(&directory.join(CLIPS))
            .map_err(|error| Error::usage(name, crate::inputs::in_words(&error)))?;
        Ok(Self { directory: directory.to_path_buf(), settings })
    }

    /// Takes away what describes the clips, until they are whole again.
    fn clear(&self) -> Result<(), Error> {
        for file in FILES {
            let path = self.directory.join(file);
            match std::fs::remove_file(&path) {
                Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                    return Err(Error::usage(shown(path.as_os_str()), crate::inputs::in_words(&error)));
                }
                _ => {}
            }
        }
        Ok(())
    }

    /// Clips in the directory that are not among `takes`.
    fn others(&self, takes: &[Take]) -> usize {
        let Ok(entries) = std::fs::read_dir(self.directory.join(CLIPS)) else {
            return 0;
        };
        let names = entries.filter_map(|entry| entry.ok()?.file_name().into_string().ok());
        names.filter(|name| name.ends_with(".mkv") && takes.iter().all(|take| take.clip() != *name)).count()
    }

    fn clip(&self, take: &Take) -> PathBuf {
        self.directory.join(CLIPS).join(take.clip())
    }

    /// Renders one clip; its bytes, or nothing where the program was told to stop.
    fn render(
        &self,
        index: usize,
        take: &Take,
        made: &Made,
        stop: &Stop,
        talk: &mut Talk,
    ) -> Result<Option<u64>, String> {
        if stop.asked() {
            return Ok(None);
        }
        let pending = Pending::begin(&self.clip(take))?;
        // Another run may have been here since this one has looked.
        if let Some(size) = clip::unchanged(&self.clip(take), made) {
            talk.over(index);
            return Ok(Some(size));
        }
        let (name, rate) = (take.clip(), u64::from(made.rate));
        let whole = u64::from(made.frames) * SECOND / rate;
        let truth = render::clip(made, self.settings.codec, &pending.part(), stop, |frames| {
            talk.moved(index, &name, frames, Some(frames * SECOND / rate), Some(whole));
        })?;
        let size = truth.map(|truth| pending.commit(made, truth)).transpose()?;
        talk.over(index);
        Ok(size)
    }

    /// Writes everything but the clips, which are whole by now.
    fn describe(&self, takes: &[Take]) -> Result<(), Error> {
        let wrong = |file: &str| {
            let name = shown(self.directory.join(file).as_os_str());
            move |problem: String| Error::usage(name, problem)
        };
        let chart = serde_json::to_string_pretty(&Scene::Rings.layout())
            .map_err(|error| wrong(CHART)(error.to_string()))?;
        let session = session::text(takes, self.settings.height / 2).map_err(wrong(session::FILE))?;
        let files = [
            (session::FILE, session),
            (CHART, chart + "\n"),
            (curve::FILE, curve::text()),
            (STORY, story::text(takes, &self.settings)),
        ];
        for (file, text) in files {
            let path = self.directory.join(file);
            let part = clip::part(&path);
            std::fs::write(&part, text)
                .map_err(|error| about(&part, &error))
                .and_then(|()| rename(&part, &path))
                .map_err(wrong(file))?;
        }
        Ok(())
    }
}
