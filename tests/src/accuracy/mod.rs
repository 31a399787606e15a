//! The meter held against the simulated camera: recordings whose truth is known, and how far the meter is from it.
//!
//! [`stage`] records and measures, [`quantity`] says which number of a record is looked at and what error it claims,
//! [`expect`] has the closed forms of the truth, [`case`] joins them over many seeds, [`cases`] lists all of them,
//! [`coverage`] counts how often intervals hold the truth, and [`table`] writes what came out into the book.

pub mod case;
pub mod cases;
pub mod expect;
pub mod formats;
pub mod parallel;
pub mod quantity;
pub mod stage;
pub mod statistics;
pub mod table;
