//! How fast the meter is: beside one read of memory, general libraries, other elements, and decoding.

pub mod clock;
pub mod decode;
pub mod elements;
pub mod kernels;
pub mod machine;
pub mod peers;
pub mod plan;
pub mod report;
pub mod rounds;
pub mod stage;
pub mod streams;
#[path = "../../../plugin/measure/benches/workloads/mod.rs"]
pub mod workloads;
