//! Recording and measuring: a simulated camera in front of a meter, without anything between them.

use noise_measure::format::{Channel, FrameFormat, Range};
use noise_measure::meter::{FrameTags, LightConfig, Meter, MeterConfig, TransferSource, WindowInfo};
use noise_measure::record::{VideoRecord, WindowRecord};
use noise_measure::region::{self, Length, Rect, RegionSpec, Role};
use noise_measure::transfer::Transfer;
use noise_measure::view::{ComponentView, Packing, Placement, Word};
use simulated_camera::exposure::{GREY, GREY_SHARE};
use simulated_camera::recorder::Plane;
use simulated_camera::{Camera, Frame, Recorder, Scene, Shot};

/// How frames of the camera reach the meter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Carriage {
    /// As they are.
    Plain,
    /// Each one twice, as 25 pictures a second in a stream of 50.
    Twice,
    /// In codes of two bits more: 8 bits in a file of 10.
    TwoBitsUp,
}

/// What is recorded and how it is measured.
#[derive(Debug, Clone)]
pub struct Stage {
    /// The camera's settings; each recording replaces the seed.
    pub shot: Shot,
    /// Frames a second, as a fraction.
    pub rate: (u32, u32),
    /// What the camera writes.
    pub format: FrameFormat,
    /// What is measured.
    pub regions: Vec<RegionSpec>,
    /// Distinct frames a window.
    pub frames: u64,
    /// From camera to meter.
    pub carriage: Carriage,
}

/// A patch of a linear sensor.
#[derive(Debug, Clone, Copy)]
pub struct Patch {
    /// Light of the patch, white = 1.
    pub light: f64,
    /// Mean electrons of a pixel.
    pub electrons: f64,
    /// Read noise, electrons.
    pub read_e: f64,
}

/// Full well and base of the tests' sensor; the ISO follows from the electrons that are asked for.
const FULL_WELL_E: f64 = 1e6;
const BASE: f64 = 100.0;

/// A camera without any noise but shot noise and `read_e` electrons of read noise.
#[must_use]
pub fn bare_camera(read_e: f64) -> Camera {
    Camera::plain(BASE, FULL_WELL_E, read_e)
}

/// ISO at which the tests' sensor gathers `electrons` at light 1.
#[must_use]
pub fn iso(electrons: f64) -> f64 {
    FULL_WELL_E * GREY_SHARE / GREY * BASE / electrons
}

impl Patch {
    /// A patch of `light` whose noise, in light, is `spread`: nine hundred electrons of it, most of them read noise.
    #[must_use]
    pub fn with_spread(light: f64, spread: f64) -> Self {
        let of_white = 900.0 / spread;
        let electrons = light * of_white;
        Self {
            light,
            electrons: if light > 0.0 { electrons } else { of_white },
            read_e: (810_000.0 - electrons).sqrt(),
        }
    }

    /// A shot of the patch alone: light is the signal, steady lamp, nothing but shot and read noise.
    ///
    /// # Panics
    /// Where the tests' sensor cannot make it: a mistake in a case.
    #[must_use]
    pub fn shot(self) -> Shot {
        let scene = if self.light > 0.0 { Scene::Flat } else { Scene::Dark };
        let of_white = if self.light > 0.0 { self.electrons / self.light } else { self.electrons };
        let mut shot = Shot::new(bare_camera(self.read_e), iso(of_white), scene);
        shot.transfer = Transfer::Linear;
        if self.light > 0.0 {
            shot.exposure = (self.light / GREY).log2();
        }
        shot.check().expect("the sensor can make the patch");
        shot
    }
}

impl Stage {
    /// `shot` at 25 frames a second, the whole picture one region, windows of `frames`.
    #[must_use]
    pub fn new(shot: Shot, format: FrameFormat, frames: u64) -> Self {
        let whole = RegionSpec {
            name: "patch".to_owned(),
            x: Length::Share(0.0),
            y: Length::Share(0.0),
            width: Length::Share(1.0),
            height: Length::Share(1.0),
            role: Some(Role::Grey),
            reflectance: None,
        };
        Self { shot, rate: (25, 1), format, regions: vec![whole], frames, carriage: Carriage::Plain }
    }

    /// The same with the regions of the scene instead of the whole picture.
    #[must_use]
    pub fn with_targets(mut self) -> Self {
        self.regions =
            self.shot.scene.targets().iter().map(simulated_camera::scene::Target::region).collect();
        self
    }

    /// The same with a region that leaves out `margin` pixels at every edge of the picture, where filters run out of
    /// picture and mirror it.
    #[must_use]
    pub fn inset(mut self, margin: u32) -> Self {
        let pixels = |count: u32| Length::Pixels(f64::from(count));
        for region in &mut self.regions {
            (region.x, region.y) = (pixels(margin), pixels(margin));
            let size = [self.format.width, self.format.height].map(|whole| pixels(whole - 2 * margin));
            [region.width, region.height] = size;
        }
        self
    }

    /// Samples of `channel` along a row and a column of the first region.
    ///
    /// # Panics
    /// Where the format has no such component or the stage no region: a mistake in a case.
    #[must_use]
    pub fn extent(&self, channel: Channel) -> (f64, f64) {
        let FrameFormat { width, height, ref components, .. } = self.format;
        let region =
            region::resolve(&self.regions, width, height, Rect { x: 0, y: 0, width, height }).remove(0);
        let component = components
            .iter()
            .find(|component| component.channel == channel)
            .expect("a component of the format");
        let count = |(first, end): (u32, u32)| f64::from(end - first);
        let Rect { x, y, width: w, height: h } = region.rect;
        (
            count(component.horizontal.inside(width, x, x + w)),
            count(component.vertical.inside(height, y, y + h)),
        )
    }

    /// The same carried otherwise.
    #[must_use]
    pub fn carried(mut self, carriage: Carriage) -> Self {
        self.carriage = carriage;
        self
    }

    /// The same with another shot.
    #[must_use]
    pub fn with(mut self, change: impl FnOnce(&mut Shot)) -> Self {
        change(&mut self.shot);
        self
    }

    /// The shot of recording `seed`.
    #[must_use]
    pub fn seeded(&self, seed: u64) -> Shot {
        let rate = f64::from(self.rate.0) / f64::from(self.rate.1);
        Shot { seed, rate, ..self.shot.clone() }
    }

    /// The format that the meter is told.
    #[must_use]
    pub fn seen(&self) -> FrameFormat {
        let mut format = self.format.clone();
        for component in &mut format.components {
            component.depth += self.raised();
        }
        format
    }

    fn raised(&self) -> u32 {
        if self.carriage == Carriage::TwoBitsUp { 2 } else { 0 }
    }

    /// Records from frame `first` on, with random numbers of `seed`, and measures `windows` windows.
    ///
    /// # Panics
    /// Where camera or meter refuse the settings: a mistake in a case.
    #[must_use]
    pub fn measure(&self, seed: u64, first: u64, windows: u64) -> Vec<WindowRecord> {
        let shot = self.seeded(seed);
        let format = self.seen();
        let active = Rect { x: 0, y: 0, width: format.width, height: format.height };
        let mut recorder = Recorder::new(shot, self.format.clone(), 1).expect("a shot that can be recorded");
        let mut meter = Meter::new(MeterConfig {
            regions: region::resolve(&self.regions, format.width, format.height, active),
            active,
            grid: None,
            full_set_share: None,
            format,
        });
        let mut carry = noise_measure::meter::Carry::default();
        let mut frame = Frame::default();
        let mut records = Vec::new();
        for window in 0..windows {
            for n in 0..self.frames {
                recorder.record(first + window * self.frames + n, &mut frame);
                self.show(&frame, &mut meter);
            }
            let closed = meter.close().expect("frames came");
            records.push(closed.evaluate(&mut carry, self.info(window)));
        }
        records
    }

    /// One window.
    ///
    /// # Panics
    /// As [`Self::measure`].
    #[must_use]
    pub fn window(&self, seed: u64) -> WindowRecord {
        self.measure(seed, 0, 1).remove(0)
    }

    fn show(&self, frame: &Frame, meter: &mut Meter) {
        let bytes: Vec<Vec<u8>> = frame.planes.iter().map(|plane| bytes(plane, self.raised())).collect();
        let format = self.seen();
        let views: Vec<ComponentView<'_>> = frame
            .planes
            .iter()
            .zip(&format.components)
            .zip(&bytes)
            .map(|((plane, component), bytes)| {
                let Plane { width, height, .. } = *plane;
                let placement =
                    Placement { offset: 0, row_stride: 2 * width, sample_stride: 2, width, height };
                let packing = Packing { word: Word::U16Le, shift: 0, depth: component.depth };
                ComponentView::new(component.channel, bytes, placement, packing).expect("rows lie inside")
            })
            .collect();
        let times = if self.carriage == Carriage::Twice { 2 } else { 1 };
        for _ in 0..times {
            meter.add(&views, &[], FrameTags::default()).expect("views of the format");
        }
    }

    fn info(&self, window: u64) -> WindowInfo {
        let format = self.seen();
        let times = if self.carriage == Carriage::Twice { 2 } else { 1 };
        let (numerator, denominator) = (self.rate.0 * times, self.rate.1);
        let rate = f64::from(numerator) / f64::from(denominator);
        let length = (self.frames * u64::from(times)) as f64 / rate * 1e9;
        let start = Some((window as f64 * length) as u64);
        WindowInfo {
            timestamp: start,
            stream_time: start,
            running_time: start,
            duration: Some(length as u64),
            rate: 1.0,
            partial: false,
            frame_rate: rate,
            video: VideoRecord {
                width: format.width,
                height: format.height,
                format: "simulated".to_owned(),
                depth: format.components.first().map_or(0, |component| component.depth),
                range: if format.range == Range::Full { "full" } else { "narrow" }.to_owned(),
                matrix: Some(format.matrix.name().to_owned()),
                transfer: self.shot.transfer.name(),
                interlace: "progressive".to_owned(),
                framerate: format!("{numerator}/{denominator}"),
                assumed: Vec::new(),
            },
            light: LightConfig { transfer: self.shot.transfer, source: TransferSource::User },
            outside_r103: None,
            notes: Vec::new(),
        }
    }
}

fn bytes(plane: &Plane, raised: u32) -> Vec<u8> {
    plane.codes.iter().flat_map(|code| (code << raised).to_le_bytes()).collect()
}
