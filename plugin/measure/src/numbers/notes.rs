//! Notes that several components share are said once, with the components named.

use crate::frame::format::Channel;
use crate::record::{Note, NoteCode};

/// Collects notes of a region.
#[derive(Debug, Default)]
pub struct Notes {
    entries: Vec<(NoteCode, String, Vec<Channel>)>,
}

impl Notes {
    /// Says `text` of `channel`.
    pub fn add(&mut self, code: NoteCode, channel: Channel, text: impl Into<String>) {
        let text = text.into();
        match self.entries.iter_mut().find(|(c, t, _)| *c == code && *t == text) {
            Some((_, _, channels)) if channels.contains(&channel) => {}
            Some((_, _, channels)) => channels.push(channel),
            None => self.entries.push((code, text, vec![channel])),
        }
    }

    /// The notes in the order in which they were first said.
    #[must_use]
    pub fn finish(self) -> Vec<Note> {
        self.entries
            .into_iter()
            .map(|(code, text, channels)| {
                let names: Vec<&str> = channels.iter().map(|channel| channel.name()).collect();
                Note { code, text: format!("{}: {text}", names.join(", ")) }
            })
            .collect()
    }
}
