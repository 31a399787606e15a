//! The room of a window that was evaluated goes to a later one, and leaves no trace in its numbers.

mod support;

use noise_measure::format::Model;
use noise_measure::meter::{Carry, FrameTags, Meter};
use noise_measure::record::WindowRecord;
use support::{Picture, Setup, noisy};

/// Windows of `length` frames; with `recycle` each evaluated one lends its room to the next that closes.
fn measured(setup: &Setup, pictures: &[Picture], length: usize, recycle: bool) -> Vec<WindowRecord> {
    let (mut meter, mut carry) = (setup.meter(), Carry::default());
    let mut all = Vec::new();
    for (index, window) in pictures.chunks(length).enumerate() {
        for (frame, picture) in window.iter().enumerate() {
            let tags = FrameTags { hole_before: frame == length / 2, ..FrameTags::default() };
            setup.add(&mut meter, picture, 0, tags);
        }
        let lent = !meter.wants_room();
        assert_eq!(lent, recycle && index > 0, "window {index}");
        let closed = meter.close().expect("frames came");
        assert!(meter.wants_room(), "what was lent is in use");
        all.push(closed.evaluate(&mut carry, setup.info(index as u64)));
        let spare = carry.take_spare().expect("an evaluated window leaves its room");
        if recycle {
            meter.recycle(spare);
        }
    }
    all
}

/// 70 frames of 10 bits: sums of pixels leave 16 bits on the way.
#[test]
fn windows_in_used_room_are_those_in_fresh_room() {
    for (model, share) in [(Model::Yuv, None), (Model::Rgb, None), (Model::Yuv, Some(0.0))] {
        let mut setup = Setup::new(model, 70, 66, 10).grid(3, 2);
        setup.config.full_set_share = share;
        let pictures = noisy(&setup, 5, 4 * 70, 1000.0, 12.0);
        let fresh = measured(&setup, &pictures, 70, false);
        assert_eq!(measured(&setup, &pictures, 70, true), fresh, "{model:?} {share:?}");
    }
}

#[test]
fn room_of_another_configuration_takes_no_room_away() {
    let (setup, other) = (Setup::new(Model::Gray, 32, 20, 8), Setup::new(Model::Gray, 20, 32, 8));
    let spare = |setup: &Setup| {
        let (mut meter, mut carry) = (setup.meter(), Carry::default());
        noisy(setup, 1, 2, 100.0, 2.0).iter().for_each(|p| setup.add(&mut meter, p, 0, FrameTags::default()));
        let _ = meter.close().expect("frames came").evaluate(&mut carry, setup.info(0));
        carry.take_spare().expect("an evaluated window leaves its room")
    };
    let mut meter: Meter = setup.meter();
    meter.recycle(spare(&other));
    assert!(meter.wants_room(), "it does not fit");
    meter.recycle(spare(&setup));
    assert!(!meter.wants_room());
    meter.recycle(spare(&other));
    assert!(!meter.wants_room(), "what fits stays");
}
