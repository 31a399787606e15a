//! Headless measurement of clips, and clips to measure: what the program `lowlight` does.

pub mod child;
pub mod cli;
pub mod errors;
pub mod files;
pub mod fragment;
pub mod images;
pub mod inputs;
pub mod measure;
pub mod naming;
pub mod progress;
pub mod protocol;
pub mod results;
pub mod resume;
pub mod settings;
pub mod signals;
pub mod simulate;
pub mod supervise;
pub mod table;
pub mod text;
pub mod truth;
