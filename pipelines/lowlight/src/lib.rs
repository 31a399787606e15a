//! Headless measurement of clips.
