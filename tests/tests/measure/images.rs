//! Image sequences.

use std::fs;

use noise_measure::format::Channel;
use noise_measure::record::WindowRecord;

use super::support::{Shoot, frames};

/// Codes of the flat colour that the sequences hold.
const RED: u32 = 40_003;
const GREEN: u32 = 257;
const BLUE: u32 = 65_534;

/// A sequence of a colour that 8 bits cannot hold, 33 × 21, ten files from number 7.
fn colour(shoot: &Shoot, pattern: &str, pixel_format: &str) {
    let source = "color=c=black:s=33x21:r=25:d=0.4,format=gbrp16le";
    let colour = format!("{source},geq=r={RED}:g={GREEN}:b={BLUE}");
    shoot.ffmpeg(["-f", "lavfi", "-i", &colour, "-pix_fmt", pixel_format, "-start_number", "7", pattern]);
}

#[track_caller]
fn check_colour(windows: &[WindowRecord], format: &str) {
    assert_eq!(frames(windows), 10);
    let video = &windows[0].video;
    assert_eq!((video.width, video.height, video.format.as_str(), video.depth), (33, 21, format, 16));
    assert_eq!(video.framerate, "25/1");
    assert!(video.assumed.iter().any(|part| part == "framerate"));
    for (channel, code) in [(Channel::R, RED), (Channel::G, GREEN), (Channel::B, BLUE)] {
        let component = windows[0].regions[0].components.get(channel).expect("is measured");
        let codes = component.codes.as_ref().expect("is measured");
        assert_eq!((codes.min_codes, codes.max_codes), (Some(code), Some(code)), "{channel:?}");
        assert_eq!(component.mean_codes, Some(f64::from(code)));
    }
}

#[test]
fn sixteen_bit_colour_arrives_to_the_last_code() {
    let shoot = Shoot::new();
    colour(&shoot, "a%03d.tif", "rgb48le");
    colour(&shoot, "b%d.png", "rgb48be");
    colour(&shoot, "c%05d.png", "rgba64be");
    let ran = shoot.measure(["a%03d.tif", "b%d.png", "c%05d.png"]).expect(0);
    for name in ["a_03d.tif", "b_d.png", "c_05d.png"] {
        check_colour(&shoot.windows(name), "ARGB64_LE");
    }
    assert!(ran.err.contains("25/1 frames a second"), "{}", ran.err);
    assert_eq!(shoot.summary("a_03d.tif").source.as_deref(), Some("a%03d.tif"));
}

#[test]
fn sixteen_bit_grey_and_eight_bits() {
    let shoot = Shoot::new();
    let source = "color=c=black:s=33x21:r=25:d=0.4,format=gray16le,geq=lum=12345+X";
    shoot.ffmpeg(["-f", "lavfi", "-i", source, "grey%03d.png"]);
    shoot.ffmpeg(["-f", "lavfi", "-i", source, "grey%03d.tif"]);
    let source = "color=c=black:s=33x21:r=25:d=0.4,format=gbrp,geq=r=200:g=7:b=X";
    shoot.ffmpeg(["-f", "lavfi", "-i", source, "-pix_fmt", "rgb24", "eight%03d.tif"]);
    let options = ["--regions", "all=0,0,33,21"];
    shoot.measure(["grey%03d.png", "grey%03d.tif", "eight%03d.tif"].iter().chain(&options)).expect(0);
    for name in ["grey_03d.png", "grey_03d.tif"] {
        let windows = shoot.windows(name);
        assert_eq!(windows[0].video.format, "GRAY16_LE");
        let luma = windows[0].regions[0].components.get(Channel::Y).unwrap();
        let codes = luma.codes.as_ref().unwrap();
        assert_eq!((codes.min_codes, codes.max_codes), (Some(12_345), Some(12_345 + 32)));
        assert_eq!(luma.mean_codes, Some(12_345.0 + 16.0));
    }
    let windows = shoot.windows("eight_03d.tif");
    assert_eq!(windows[0].video.format, "RGB");
    let blue = windows[0].regions[0].components.get(Channel::B).unwrap();
    assert_eq!(blue.mean_codes, Some(16.0));
}

#[test]
fn float_light_enters_as_fixed_point() {
    let shoot = Shoot::new();
    // ffmpeg writes the float planes as they are: 0.25, 1.0 and 9.0 of light, the last beyond the top.
    let source = "color=c=black:s=32x20:r=25:d=0.4,format=gbrpf32le,geq=r=0.25:g=1:b=9";
    shoot.ffmpeg(["-f", "lavfi", "-i", source, "-pix_fmt", "gbrpf32le", "f%03d.exr"]);
    shoot.measure(["f%03d.exr", "--regions", "all=0,0,32,20"]).expect(0);
    let windows = shoot.windows("f_03d.exr");
    assert_eq!(frames(&windows), 10);
    assert_eq!((windows[0].video.range.as_str(), windows[0].video.transfer.as_str()), ("fixed", "linear"));
    let component = |channel| windows[0].regions[0].components.get(channel).unwrap();
    // Percent of 1.0, in steps of 800/65535 %.
    let step = 800.0 / 65_535.0;
    for (channel, percent) in [(Channel::R, 25.0), (Channel::G, 100.0), (Channel::B, 800.0)] {
        let mean = component(channel).mean.unwrap();
        assert!((mean - percent).abs() <= step / 2.0 + 1e-9, "{channel:?}: {mean}");
        assert_eq!(component(channel).mean_codes, None);
    }
    assert_eq!(component(Channel::B).codes.as_ref().and_then(|codes| codes.clipped_high), Some(1.0));
    assert_eq!(component(Channel::G).codes.as_ref().and_then(|codes| codes.clipped_high), Some(0.0));
}

#[test]
fn rates_holes_and_parts_of_a_sequence() {
    let shoot = Shoot::new();
    colour(&shoot, "a%03d.png", "rgb48be");
    shoot.measure(["a%03d.png", "--rate", "23.976", "--interval", "clip"]).expect(0);
    let windows = shoot.windows("a_03d.png");
    assert_eq!(windows[0].video.framerate, "24000/1001");
    assert!(!windows[0].video.assumed.iter().any(|part| part == "framerate"));
    // Ten frames of 1001/24000 s.
    assert_eq!(windows[0].duration, Some(417_083_333));

    // Frame k begins at k·0.04 s, whatever the number of the first file.
    shoot.measure(["a%03d.png#t=0.08,0.2"]).expect(0);
    let windows = shoot.windows("a_03d.png@0.080-0.200");
    assert_eq!(frames(&windows), 3);
    assert_eq!(windows[0].stream_time, Some(80_000_000));
    shoot.measure(["a%03d.png#t=9,10"]).expect(3);

    fs::remove_file(shoot.path("a010.png")).unwrap();
    let ran = shoot.measure(["a%03d.png"]).expect(0);
    let windows = shoot.windows("a_03d.png");
    assert_eq!(frames(&windows), 9);
    assert_eq!(windows.iter().map(|window| window.holes).sum::<u64>(), 1);
    assert!(ran.err.contains("1 of the files from 7 to 16 are missing"), "{}", ran.err);
}

#[test]
fn a_still_is_a_clip_of_one_frame() {
    let shoot = Shoot::new();
    colour(&shoot, "a%03d.tif", "rgb48le");
    shoot.measure(["a007.tif"]).expect(0);
    let windows = shoot.windows("a007.tif");
    assert_eq!(frames(&windows), 1);
    let luma = windows[0].regions[0].components.get(Channel::R).unwrap();
    assert_eq!(luma.mean_codes, Some(f64::from(RED)));
    assert_eq!(luma.temporal, None);
    assert!(!windows[0].regions[0].notes.is_empty());
}

#[test]
fn sequences_that_cannot_be_measured() {
    let shoot = Shoot::new();
    colour(&shoot, "a%03d.png", "rgb48be");
    shoot.ffmpeg([
        "-f",
        "lavfi",
        "-i",
        "color=s=34x22:d=0.04",
        "-pix_fmt",
        "rgb24",
        "-frames:v",
        "1",
        "other.png",
    ]);
    let complaint = |pattern: &str| {
        let ran = shoot.measure([pattern]).expect(3);
        assert_eq!(ran.complaints().len(), 1, "{}", ran.err);
        assert!(shoot.results().is_empty());
        ran.complaints()[0].to_owned()
    };
    let none = complaint("b%03d.png");
    assert!(none.contains("b%03d.png") && none.contains("b001.png"), "{none}");
    fs::copy(shoot.path("other.png"), shoot.path("a012.png")).unwrap();
    let changed = complaint("a%03d.png");
    assert!(
        changed.contains("a012.png is 34x22 8-bit RGB, but the first file is 33x21 16-bit RGB"),
        "{changed}"
    );
    fs::write(shoot.path("a012.png"), "no image").unwrap();
    let broken = complaint("a%03d.png");
    assert!(broken.contains("a012.png"), "{broken}");
    fs::write(shoot.path("a012.png"), "").unwrap();
    let empty = complaint("a%03d.png");
    assert!(empty.contains("a012.png: is empty"), "{empty}");
}
