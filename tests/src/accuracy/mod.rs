//! The meter held against the simulated camera: recordings whose truth is known, and how far the meter is from it.
//!
//! [`stage`] records and measures, [`quantity`] says which number of a record is looked at and what error it claims,
//! [`expect`] has the closed forms of the truth, [`case`] joins them over many seeds, [`cases`] lists them all,
//! [`coverage`] counts how often intervals hold the truth, [`sensor`] and [`lamps`] are experiments of their own.
//! [`campaign`] runs all of it in parts, and [`table`] says what came out.

pub mod campaign;
pub mod case;
pub mod cases;
pub mod coverage;
pub mod expect;
pub mod formats;
pub mod lamps;
pub mod parallel;
pub mod quantity;
pub mod sensor;
pub mod stage;
pub mod statistics;
pub mod table;
