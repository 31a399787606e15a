//! `session.toml`: which clip is which step of which camera.

use std::fmt::Write;

use super::scenario::{self, Mode, Take};
use super::{CHART, CLIPS, curve};

/// Name of the session file.
pub const FILE: &str = "session.toml";

/// First line of the file; by it a session that may be written over is told from anybody else's.
pub const MARK: &str = "# Written by lowlight simulate.";

/// The file for `takes`, judged at `delivery_height` lines.
///
/// # Errors
/// Names a camera that is not known.
pub fn text(takes: &[Take], delivery_height: u32) -> Result<String, String> {
    let mut text = format!(
        "{MARK} Everything in it is invented; README.txt tells the story.\n\n\
         title = {}\nlayout = {}\ndelivery_height = {delivery_height}\nregion = \"grey\"\n",
        quoted(scenario::TITLE),
        quoted(CHART)
    );
    for camera in scenario::CAMERAS {
        let base: Vec<String> = scenario::body(camera)?.base.iter().map(f64::to_string).collect();
        for mode in Mode::ALL {
            let transfer = format!("clf:{}", curve::FILE);
            // Writing to a String cannot fail.
            let _ = write!(
                text,
                "\n[[camera]]\nname = {}\nmode = {}\nfiltered = {}\ntransfer = {}\nbase = [{}]\nsteps = [\n",
                quoted(camera),
                quoted(mode.name()),
                mode == Mode::Filtered,
                quoted(&transfer),
                base.join(", ")
            );
            for take in takes.iter().filter(|take| (take.camera, take.mode) == (camera, mode)) {
                let _ = writeln!(
                    text,
                    "    {{ iso = {}, shutter = {}, clip = {} }},",
                    take.iso,
                    quoted(&take.shutter()),
                    quoted(&format!("{CLIPS}/{}", take.clip()))
                );
            }
            text.push_str("]\n");
        }
    }
    Ok(text)
}

/// `text` as a basic string of TOML. Ours hold no control characters.
fn quoted(text: &str) -> String {
    format!("\"{}\"", text.replace('\\', "\\\\").replace('"', "\\\""))
}
