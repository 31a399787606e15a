//! The command line.

use std::ffi::OsString;
use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};

use crate::simulate::scenario;
use crate::simulate::settings::Codec;

/// The whole command line.
#[derive(Debug, Parser)]
#[command(name = "lowlight", version, about = "Says how noisy recorded video is, honestly and reproducibly")]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// What the program does.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Measure noise and clipping of clips
    Measure(Box<MeasureArgs>),
    /// Render a demo session of three simulated cameras, whose true noise is known
    Simulate(SimulateArgs),
    /// Measure one clip for a `lowlight measure` that waits at the other end of stdin and stdout
    #[command(hide = true)]
    MeasureChild(ChildArgs),
}

/// Name of the hidden subcommand behind [`Command::MeasureChild`].
pub const CHILD: &str = "measure-child";

const EXAMPLES: &str = "\
Examples:
  lowlight measure a800.mov a1600.mov
      both clips, the middle of the picture, one window a second
  lowlight measure --layout chart.json --out results *.mov
      the regions of a layout file; clips that are done and unchanged are skipped
  lowlight measure 'take1.mov#t=12.0,15.5' --regions 'grey=45%,45%,10%,10%;black=100,80,64,64'
      three and a half seconds of a clip, two regions
  lowlight measure 'frames/%05d.tif' --rate 24 --transfer gamma:2.4
      an image sequence, at 24 frames a second
  lowlight measure --layout lowlight-demo/chart.json --transfer acescct --truth auto lowlight-demo/clips/*.mkv
      simulated clips, each beside the truth
  lowlight measure --json a800.mov | jq '.[].regions[].light.snr_temporal_db'

Results, for each CLIP, named after its path below the parent that all clips share:
  NAME.windows.jsonl   one JSON line a window
  NAME.summary.json    the clip as a whole
  NAME.state.json      what was measured, with what, and when

Exit codes: 0 done; 2 wrong usage or input; 3 some clips could not be read, the others are done and kept;
130 stopped by Ctrl-C.";

/// `lowlight measure`.
#[derive(Debug, Args)]
#[command(after_long_help = EXAMPLES, after_help = "With --help: examples, results and exit codes.")]
pub struct MeasureArgs {
    /// A file that GStreamer decodes, FILE#t=START,END in seconds, or an image sequence as in frames/%05d.tif
    /// (TIFF, PNG, EXR). A file that really has such a name is taken as it is
    #[arg(value_name = "CLIP", required = true)]
    pub clips: Vec<OsString>,

    /// Directory for the results; made if missing
    #[arg(long, value_name = "DIR", default_value = "lowlight-results")]
    pub out: PathBuf,

    #[command(flatten)]
    #[expect(missing_docs, reason = "clap would take a doc comment here for the help of the whole command")]
    pub settings: SettingsArgs,

    /// Clips at once; by default as many as there are cores, which then share the decoders' threads
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=1024))]
    pub jobs: Option<u32>,

    /// Print the summaries to stdout as one JSON array instead of tables
    #[arg(long)]
    pub json: bool,

    /// Print the moving noise of simulated clips beside its truth instead: FILE holds what simcamsrc posts as
    /// simcam-truth; auto takes CLIP.truth.json beside each clip, as lowlight simulate writes it
    #[arg(long, value_name = "FILE|auto")]
    pub truth: Option<PathBuf>,

    /// Seconds without progress after which a clip is given up
    #[arg(long, value_name = "SECONDS", default_value_t = 30, hide = true,
          value_parser = clap::value_parser!(u32).range(1..=86_400))]
    pub stall_timeout: u32,
}

/// What is measured and how; the texts are those of the element's properties.
#[derive(Debug, Default, Args)]
pub struct SettingsArgs {
    /// Layout file: regions of the chart as JSON
    #[arg(long, value_name = "FILE", help_heading = "What is measured")]
    pub layout: Option<PathBuf>,

    /// NAME=X,Y,W,H joined by ';', pixels, or percent of the picture with '%' after a number. With neither this nor
    /// --layout nor --grid: one region, centre, the middle 20 % by 20 %
    #[arg(long, value_name = "TEXT", help_heading = "What is measured", allow_hyphen_values = true)]
    pub regions: Option<String>,

    /// Cells over the picture, as in 16x9
    #[arg(long, value_name = "COLSxROWS", help_heading = "What is measured")]
    pub grid: Option<String>,

    /// Length of a window: seconds, or a number with ms or s after it, from 10ms; or clip, one window for all
    #[arg(
        long,
        value_name = "TIME",
        default_value = "1s",
        help_heading = "What is measured",
        allow_hyphen_values = true
    )]
    pub interval: String,

    /// The active picture in pixels; shares and cells count in it
    #[arg(long, value_name = "X,Y,W,H", help_heading = "What is measured", allow_hyphen_values = true)]
    pub crop: Option<String>,

    /// Heights in lines at which the clip will be shown, for the noise left there
    #[arg(long, value_name = "LINES,…", help_heading = "What is measured")]
    pub delivery_heights: Option<String>,

    /// For a quick look: of every N frames only the first two are measured, as a pair; the results then hold the
    /// pairwise set alone and say so
    #[arg(long, value_name = "N", help_heading = "What is measured",
          value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    pub every: Option<u32>,

    /// From samples to light: auto, bt709, bt1886, srgb, pq, hlg, acescct, acescc, linear, or gamma:G
    #[arg(long, value_name = "NAME", default_value = "auto", help_heading = "What the samples mean")]
    pub transfer: String,

    /// Range of the codes, where the file is silent or wrong: auto, narrow, full
    #[arg(long, value_name = "NAME", default_value = "auto", help_heading = "What the samples mean")]
    pub range: String,

    /// Matrix of YCbCr, where the file is silent or wrong: auto, bt601, bt709, bt2020
    #[arg(long, value_name = "NAME", default_value = "auto", help_heading = "What the samples mean")]
    pub matrix: String,

    /// Frames a second of image sequences, as in 25, 23.976 or 30000/1001; 25 is assumed
    #[arg(long, value_name = "RATE", help_heading = "What the samples mean")]
    pub rate: Option<String>,
}

const SIMULATE_EXAMPLES: &str = "\
Examples:
  lowlight simulate
      the whole session, 54 clips of 960x540, in ./lowlight-demo
  lowlight simulate --size 480x270 --steps 3 --frames 12 small
      a small one in ./small, done in seconds
  lowlight measure --layout lowlight-demo/chart.json --transfer acescct --truth auto lowlight-demo/clips/*.mkv
      measure what was rendered, and see how near the truth it comes

What is in DIR afterwards:
  README.txt         the story, what was spoiled on purpose, and what to run next
  session.toml       which clip is which step of which camera and mode
  chart.json         layout file of the chart in the picture
  acescct.clf        the curve that the cameras record with
  clips/NAME.mkv     a clip, and beside it
  clips/NAME.mkv.truth.json    what a meter should find in it, and how it was made

Clips that are there and were made with the same settings are kept, so an interrupted run goes on where it was. The
same settings give the same bytes.

Exit codes: 0 done; 2 wrong usage, or a clip could not be rendered; 130 stopped by Ctrl-C.";

/// `lowlight simulate`.
#[derive(Debug, Args)]
#[command(after_long_help = SIMULATE_EXAMPLES, after_help = "With --help: examples, files and exit codes.")]
pub struct SimulateArgs {
    /// Directory for the session; made if missing
    #[arg(value_name = "DIR", default_value = "lowlight-demo")]
    pub directory: PathBuf,

    /// Columns and rows of the picture, even numbers
    #[arg(long, value_name = "WxH", default_value = "960x540", allow_hyphen_values = true)]
    pub size: String,

    /// Frames a clip; 24 are a second
    #[arg(long, value_name = "N", default_value_t = 24, allow_negative_numbers = true,
          value_parser = clap::value_parser!(u32).range(2..=100_000))]
    pub frames: u32,

    /// Steps of each ISO ladder, spread over ISO 250 to 64000; from five on, two of them are spoiled on purpose
    #[arg(long, value_name = "N", default_value_t = 9, allow_negative_numbers = true,
          value_parser = clap::value_parser!(u32).range(scenario::STEPS))]
    pub steps: u32,

    /// Another number makes other noise of the same strength
    #[arg(long, value_name = "N", default_value_t = 1, allow_negative_numbers = true)]
    pub seed: u32,

    /// What the clips are compressed with
    #[arg(long, value_enum, default_value_t = Codec::Ffv1)]
    pub codec: Codec,
}

/// The hidden child of `measure`; its job comes on stdin.
#[derive(Debug, Args)]
pub struct ChildArgs {
    /// The clip, so that a list of processes tells the children apart
    pub clip: OsString,
}
