//! A clip's summary as text for people: aligned columns in a hundred characters.

use noise_measure::format::Channel;
use noise_measure::record::{ComponentRecord, Note, RegionRecord, WindowRecord};

/// Characters a line has at most.
const WIDTH: usize = 100;
/// Characters of a region's name beside its numbers; longer names get a line of their own.
const NAME_WIDTH: usize = 16;
/// Regions that a note lists by name.
const LISTED: usize = 6;
/// Nanoseconds in a second.
const SECOND: f64 = 1e9;

/// The table of one clip, ending in a line break.
#[must_use]
pub fn render(name: &str, summary: &WindowRecord, bold: bool) -> String {
    let mut lines = heading(name, summary, bold);
    let names = summary.regions.iter().map(|region| region.name.chars().count());
    let width = names.filter(|&length| length <= NAME_WIDTH).max().unwrap_or(0).max("region".len());
    if !summary.regions.is_empty() {
        let [mean, moving, interval, snr, fixed, clipped] =
            ["mean %", "temporal %", "95 %", "SNR dB", "fixed %", "clipped %"];
        let head = format!(
            "{:width$}    {mean:>7} {moving:>10} {interval:>17} {snr:>6} {fixed:>8} {clipped:>9}  notes",
            "region"
        );
        lines.push(emphasis(&head, bold));
    }
    let mut pairs = false;
    for region in &summary.regions {
        pairs |= rows(region, width, &mut lines);
    }
    if pairs {
        lines.push("p  spread of half the difference of adjacent frames, not of the whole window".to_owned());
    }
    if let Some(grid) = &summary.grid {
        lines.push(format!("grid of {} by {} cells: in the files of results", grid.cols, grid.rows));
    }
    lines.extend(notes(summary));
    lines.push(String::new());
    lines.join("\n")
}

fn heading(name: &str, summary: &WindowRecord, bold: bool) -> Vec<String> {
    let video = &summary.video;
    let matrix = video.matrix.as_deref().map(|matrix| format!(" {matrix}")).unwrap_or_default();
    let mut facts = vec![
        format!("{}x{} {} at {} frames/s", video.width, video.height, video.format, video.framerate),
        format!("{} range{matrix}, transfer {}", video.range, video.transfer),
        format!("{} frames", summary.frames),
    ];
    if let Some(duration) = summary.duration {
        facts.push(format!("{:.3} s", duration as f64 / SECOND));
    }
    if summary.repeated > 0 {
        facts.push(format!("{} repeated", summary.repeated));
    }
    if summary.holes > 0 {
        facts.push(format!("{} holes", summary.holes));
    }
    let mut lines = vec![emphasis(name, bold)];
    lines.extend(wrap("", &facts.join(", ")));
    lines
}

/// The rows of a region; whether any number comes from pairs alone.
fn rows(region: &RegionRecord, width: usize, lines: &mut Vec<String>) -> bool {
    let mut pairs = false;
    let mut name = region.name.as_str();
    if name.chars().count() > width {
        lines.push(name.to_owned());
        name = "";
    }
    let lit = lit_component(region);
    for (index, (channel, component)) in region.components.iter().enumerate() {
        let snr = region.light.as_ref().filter(|_| lit == Some(channel));
        let snr = match snr.map(|light| (light.snr_temporal_db, light.snr_lower_db)) {
            Some((Some(snr), _)) => format!("{snr:.1}"),
            Some((None, Some(lower))) => format!(">{lower:.1}"),
            _ => "-".to_owned(),
        };
        let (moving, paired) = moving(component);
        pairs |= paired;
        let interval = component.temporal_ci.filter(|_| component.temporal.is_some());
        let interval =
            interval.map_or("-".to_owned(), |[low, high]| format!("{} .. {}", spread(low), spread(high)));
        let fixed = match (component.fixed, component.fixed_upper) {
            (Some(fixed), _) => spread(fixed),
            (None, Some(upper)) => format!("<{}", spread(upper)),
            (None, None) => "-".to_owned(),
        };
        let clipped =
            component.codes.as_ref().and_then(|codes| Some(codes.clipped_low? + codes.clipped_high?));
        let clipped = clipped.map_or("-".to_owned(), |share| format!("{:.3}", 100.0 * share));
        let mean = component.mean.map_or("-".to_owned(), |mean| format!("{mean:.2}"));
        let mut codes = codes_of(region, channel, index == 0).into_iter();
        let row = format!(
            "{name:width$} {:2} {mean:>7} {moving:>10} {interval:>17} {snr:>6} {fixed:>8} {clipped:>9}  {}",
            channel.name(),
            codes.next().unwrap_or_default()
        );
        lines.push(row.trim_end().to_owned());
        // More codes of this component go under the column.
        let indent = width + 68;
        lines.extend(codes.map(|code| format!("{:indent$}{code}", "")));
        name = "";
    }
    pairs
}

/// The codes that stand beside a component: its own, and beside the first one those of the region as a whole.
#[must_use]
pub fn codes_of(region: &RegionRecord, channel: Channel, first: bool) -> Vec<String> {
    let concerns = |note: &&Note| match components_of(note) {
        Some(names) => names.contains(&channel.name()),
        None => first,
    };
    let mut codes: Vec<String> = region.notes.iter().filter(concerns).map(code).collect();
    codes.dedup();
    codes
}

/// What a note says, without the components that it names.
fn plain(note: &Note) -> &str {
    match components_of(note) {
        Some(_) => note.text.split_once(": ").map_or(note.text.as_str(), |(_, text)| text),
        None => &note.text,
    }
}

/// The components that a note names before its text, as in `Y, Cb: …`.
fn components_of(note: &Note) -> Option<Vec<&str>> {
    let (names, _) = note.text.split_once(": ")?;
    let names: Vec<&str> = names.split(", ").collect();
    let known = |name: &&str| matches!(*name, "Y" | "Cb" | "Cr" | "R" | "G" | "B" | "G1" | "G2");
    names.iter().all(known).then_some(names)
}

/// The row that carries what is said of the region's light.
fn lit_component(region: &RegionRecord) -> Option<Channel> {
    let has = |channel| region.components.get(channel).map(|_| channel);
    has(Channel::Y)
        .or_else(|| has(Channel::G1))
        .or_else(|| region.components.iter().next().map(|(channel, _)| channel))
}

fn moving(component: &ComponentRecord) -> (String, bool) {
    match (component.temporal, component.temporal_pair, component.temporal_upper) {
        (Some(temporal), ..) => (spread(temporal), false),
        (None, _, Some(upper)) => (format!("<{}", spread(upper)), false),
        (None, Some(pair), None) => (format!("{}p", spread(pair)), true),
        (None, None, None) => ("-".to_owned(), false),
    }
}

/// A spread in percent, to four or five digits.
#[must_use]
pub fn spread(value: f64) -> String {
    if value.abs() < 10.0 { format!("{value:.4}") } else { format!("{value:.3}") }
}

fn code(note: &Note) -> String {
    word(&note.code)
}

/// The word by which `value` is written in JSON.
fn word(value: &impl serde::Serialize) -> String {
    serde_json::to_value(value).ok().and_then(|value| value.as_str().map(str::to_owned)).unwrap_or_default()
}

/// What the codes mean, each once, with the regions it holds for.
fn notes(summary: &WindowRecord) -> Vec<String> {
    let mut kinds: Vec<(&Note, Vec<&str>)> = Vec::new();
    let everywhere = summary.notes.iter().map(|note| (note, None));
    let somewhere = summary
        .regions
        .iter()
        .flat_map(|region| region.notes.iter().map(|note| (note, Some(region.name.as_str()))));
    for (note, region) in everywhere.chain(somewhere) {
        match kinds.iter_mut().find(|(kind, regions)| {
            (kind.code, plain(kind)) == (note.code, plain(note)) && regions.is_empty() == region.is_none()
        }) {
            Some((_, regions)) => regions.extend(region.filter(|name| !regions.contains(name))),
            None => kinds.push((note, region.into_iter().collect())),
        }
    }
    let mut lines = Vec::new();
    for (note, regions) in kinds {
        let mut listed = regions.iter().take(LISTED).copied().collect::<Vec<_>>().join(", ");
        if regions.len() > LISTED {
            listed += &format!(" and {} more", regions.len() - LISTED);
        }
        let place = if listed.is_empty() { String::new() } else { format!(" ({listed})") };
        lines.extend(wrap("  ", &format!("{}{place}: {}", code(note), plain(note))));
    }
    lines
}

/// `text` in lines of at most [`WIDTH`] characters, the second and later ones indented.
#[must_use]
pub fn wrap(indent: &str, text: &str) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        let separate = !line.is_empty() && line != indent;
        if separate && line.chars().count() + 1 + word.chars().count() > WIDTH {
            lines.push(std::mem::replace(&mut line, indent.to_owned()));
        } else if separate {
            line.push(' ');
        }
        line.push_str(word);
    }
    lines.push(line);
    lines
}

/// `text` in bold, where that can be shown.
#[must_use]
pub fn emphasis(text: &str, bold: bool) -> String {
    if bold { format!("\x1b[1m{text}\x1b[0m") } else { text.to_owned() }
}
