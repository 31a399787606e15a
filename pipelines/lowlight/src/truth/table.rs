//! Measured against true noise as text for people.

use noise_measure::region::Role;

use super::Row;
use crate::table::{emphasis, spread, wrap};

/// What stands between the columns.
const GAP: &str = "  ";

/// The table: a line a clip for Y of one region, then how often all intervals hold their truth.
///
/// The region is the grey one where there is one, else the first.
#[must_use]
pub fn render(rows: &[Row], bold: bool) -> String {
    let grey = |row: &&Row| row.role.as_deref() == Some(Role::Grey.name());
    let shown = rows.iter().find(grey).or(rows.first());
    let Some((region, component)) = shown.map(|row| (&row.region, &row.component)) else {
        return "Nothing to compare: no region of the clips is one that the truth knows.\n".to_owned();
    };
    let listed: Vec<&Row> =
        rows.iter().filter(|row| (&row.region, &row.component) == (region, component)).collect();
    let width = listed.iter().map(|row| row.source.chars().count()).max().unwrap_or(0).max("clip".len());
    let title = format!("Moving noise of {component} in {region}: the truth, and what was measured of it");
    let mut lines = vec![emphasis(&title, bold)];
    let mut all = vec![Line::head()];
    all.extend(listed.into_iter().map(Line::new));
    for (index, line) in all.iter().enumerate() {
        let text = line.text(width);
        lines.push(if index == 0 { emphasis(&text, bold) } else { text });
    }
    lines.push(String::new());
    lines.extend(tally(rows));
    lines.push(String::new());
    lines.join("\n")
}

/// The texts of one line.
struct Line {
    source: String,
    columns: [(String, usize); 6],
    notes: String,
}

impl Line {
    fn head() -> Self {
        let head = ["truth %", "measured %", "95 %", "holds", "truth dB", "SNR dB"];
        Self {
            source: "clip".to_owned(),
            columns: columns(head.map(str::to_owned)),
            notes: "notes".to_owned(),
        }
    }

    fn new(row: &Row) -> Self {
        let or_dash = |text: Option<String>| text.unwrap_or_else(|| "-".to_owned());
        let decibels = |value: f64| format!("{value:.2}");
        let upper = row.upper.map(|bound| format!("<{}", spread(bound)));
        let lower = row.snr_lower_db.map(|bound| format!(">{}", decibels(bound)));
        let texts = [
            spread(row.truth),
            or_dash(row.measured.map(spread).or(upper)),
            or_dash(row.ci.map(|[low, high]| format!("{} .. {}", spread(low), spread(high)))),
            or_dash(row.inside.map(|inside| if inside { "yes" } else { "no" }.to_owned())),
            or_dash(row.truth_snr_db.map(decibels)),
            or_dash(row.snr_db.map(decibels).or(lower)),
        ];
        Self { source: row.source.clone(), columns: columns(texts), notes: row.notes.join(" ") }
    }

    fn text(&self, width: usize) -> String {
        let mut text = format!("{:width$}", self.source);
        for (column, width) in &self.columns {
            text += &format!("{GAP}{column:>width$}");
        }
        format!("{text}{GAP}{}", self.notes).trim_end().to_owned()
    }
}

/// Columns with their widths.
fn columns(texts: [String; 6]) -> [(String, usize); 6] {
    let mut widths = [7, 10, 16, 5, 8, 6].into_iter();
    texts.map(|text| (text, widths.next().unwrap_or(0)))
}

/// How many of all intervals hold their truth, and what could not be compared.
fn tally(rows: &[Row]) -> Vec<String> {
    let (doubted, plain): (Vec<&Row>, Vec<&Row>) =
        rows.iter().filter(|row| row.inside.is_some()).partition(|row| row.doubted);
    let mut components: Vec<&str> = Vec::new();
    for row in rows {
        if !components.contains(&row.component.as_str()) {
            components.push(&row.component);
        }
    }
    let of = |component: &str| -> Vec<&Row> {
        plain.iter().copied().filter(|row| row.component == component).collect()
    };
    let parts: Vec<String> =
        components.into_iter().map(|component| format!("{component} {}", held(&of(component)))).collect();
    let share = match plain.len() {
        0 => String::new(),
        told => format!(", {:.1} % where 95 % would be right", 100.0 * count(&plain) as f64 / told as f64),
    };
    let mut lines = vec![
        format!("All regions of all clips: {} intervals hold the truth{share}.", held(&plain)),
        format!("By component: {}.", parts.join(", ")),
    ];
    if !doubted.is_empty() {
        let text = format!(
            "Beside them {} in regions noted light_nonlinear, clipped, codec or band, whose noise is not the normal and even one that intervals assume.",
            held(&doubted)
        );
        lines.extend(wrap("", &text));
    }
    let untold = rows.len() - plain.len() - doubted.len();
    if untold > 0 {
        lines.push(format!("{untold} numbers have no interval; notes such as code_limited say why."));
    }
    lines
}

fn count(rows: &[&Row]) -> usize {
    rows.iter().filter(|row| row.inside == Some(true)).count()
}

fn held(rows: &[&Row]) -> String {
    format!("{} of {}", count(rows), rows.len())
}
