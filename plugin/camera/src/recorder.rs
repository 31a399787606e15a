//! The camera at work: frames of codes.

use noise_measure::format::{FrameFormat, Model, Range, Scan};

use crate::develop::{Curve, STRIP, Writer};
use crate::error::Error;
use crate::random::{Line, Purpose};
use crate::reduction;
use crate::scene::Scene;
use crate::sensor::{self, Moment, Scratch, Sensor};
use crate::shot::{Reduction, Shot};

/// The samples of one component.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Plane {
    /// Samples a row.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Codes, row by row.
    pub codes: Vec<u16>,
}

/// A frame, its planes in the order of the format's components.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Frame {
    /// Its components.
    pub planes: Vec<Plane>,
}

/// Three planes of light or signal: R, G, B.
type Channels = [Vec<f32>; 3];

/// A camera that records one shot in one format.
#[derive(Debug)]
pub struct Recorder {
    shot: Shot,
    format: FrameFormat,
    threads: usize,
    image: Image,
    sensor: Sensor,
    curve: Curve,
    writers: Vec<Writer>,
    /// The temporal filter's output for frame `.0`.
    state: Option<(u64, Channels)>,
}

/// Reflectances as the lens draws them.
#[derive(Debug)]
struct Image {
    scene: Scene,
    blur: f64,
    reflectances: Vec<f32>,
}

impl Recorder {
    /// A camera for `shot` that writes `format` on up to `threads` threads.
    ///
    /// # Errors
    /// Names a setting out of its range, and formats that cannot be made: mosaics, fields, floats.
    pub fn new(shot: Shot, format: FrameFormat, threads: usize) -> Result<Self, Error> {
        shot.check()?;
        if format.model == Model::Bayer || format.scan != Scan::Progressive || format.range == Range::Fixed {
            return Err(Error::new(
                "format",
                "only whole frames of Y′CbCr, R′G′B′ or grey integers can be made",
            ));
        }
        let (width, height) = (format.width as usize, format.height as usize);
        let image = Image::new(&shot, width, height);
        let picture = sensor::picture(&shot, &image.reflectances, width, height);
        Ok(Self {
            sensor: Sensor::new(&shot, &picture, width, height),
            curve: Curve::new(shot.transfer, &shot.level()),
            writers: Writer::all(&format),
            state: None,
            image,
            threads: threads.max(1),
            shot,
            format,
        })
    }

    /// Goes on with other settings; the picture of the scene is kept where it can be.
    ///
    /// # Errors
    /// As [`Recorder::new`]; the settings stay as they were then.
    pub fn change(&mut self, shot: Shot) -> Result<(), Error> {
        shot.check()?;
        let (width, height) = (self.format.width as usize, self.format.height as usize);
        if shot.scene != self.image.scene || shot.camera.blur != self.image.blur {
            self.image = Image::new(&shot, width, height);
        }
        let picture = sensor::picture(&shot, &self.image.reflectances, width, height);
        self.sensor = Sensor::new(&shot, &picture, width, height);
        self.curve = Curve::new(shot.transfer, &shot.level());
        self.state = None;
        self.shot = shot;
        Ok(())
    }

    /// The settings.
    #[must_use]
    pub fn shot(&self) -> &Shot {
        &self.shot
    }

    /// The format.
    #[must_use]
    pub fn format(&self) -> &FrameFormat {
        &self.format
    }

    /// Makes frame `n` into `frame`, whose memory is used again.
    ///
    /// Any order of frames gives the same ones. With a temporal filter a frame that does not follow the one before is
    /// made from as many frames before it as the filter remembers; it is the same to the last bit of single precision,
    /// so that a stray code can differ by one.
    pub fn record(&mut self, n: u64, frame: &mut Frame) {
        frame.planes.resize_with(self.writers.len(), Plane::default);
        for (plane, writer) in frame.planes.iter_mut().zip(&self.writers) {
            plane.width = writer.format.horizontal.count(self.format.width) as usize;
            plane.height = writer.format.vertical.count(self.format.height) as usize;
            plane.codes.resize(plane.width * plane.height, 0);
        }
        if self.shot.reduction.temporal > 0.0 {
            self.advance(n);
            let this = &*self;
            let filtered = this.state.as_ref().map(|(_, channels)| channels);
            this.develop(frame, |strip, signal| {
                if let Some(channels) = filtered {
                    copy_strip(channels, strip, signal);
                }
            });
        } else if self.shot.reduction.spatial > 0.0 {
            let light = self.light(n);
            self.develop(frame, |strip, signal| copy_strip(&light, strip, signal));
        } else {
            let moment = self.sensor.moment(&self.shot, n);
            self.develop(frame, |strip, signal| self.expose(&moment, strip, signal));
        }
    }

    /// Brings the temporal filter to frame `n`.
    fn advance(&mut self, n: u64) {
        let a = self.shot.reduction.temporal;
        let (mut done, mut state) = match self.state.take() {
            Some((at, state)) if at <= n && n - at <= reduction::memory(a) => (at, state),
            _ => {
                let first = n.saturating_sub(reduction::memory(a));
                (first, self.start(first))
            }
        };
        while done < n {
            done += 1;
            let mut light = self.light(done);
            for (state, frame) in state.iter_mut().zip(&mut light) {
                reduction::recurse(state, frame, a as f32);
            }
        }
        self.state = Some((n, state));
    }

    /// A state of the temporal filter at frame `n` as if it had run forever: the scene's light, and noise of the
    /// variance that the filter leaves, (1−a)/(1+a), drawn apart from every frame's.
    fn start(&self, n: u64) -> Channels {
        let a = self.shot.reduction.temporal;
        let left = ((1.0 - a) / (1.0 + a)).sqrt() as f32;
        // Another seed makes frame n with other noise.
        let other =
            Shot { seed: Line::new(self.shot.seed, Purpose::Start, n, 0).bits(0), ..self.shot.clone() };
        let moment = self.sensor.moment(&other, n);
        let noisy = self.filtered(|strip, signal| self.expose(&moment, strip, signal));
        let still = self.sensor.stillness(&self.shot, n);
        let mut quiet = self.filtered(|strip, signal| self.expose(&still, strip, signal));
        for (quiet, noisy) in quiet.iter_mut().zip(&noisy) {
            for (quiet, noisy) in quiet.iter_mut().zip(noisy) {
                *quiet += left * (noisy - *quiet);
            }
        }
        quiet
    }
}

/// Rows that are made together.
#[derive(Debug, Clone, Copy)]
struct Strip {
    first: usize,
    rows: usize,
    width: usize,
}

impl Strip {
    fn samples(self) -> usize {
        self.rows * self.width
    }
}

fn copy_strip(channels: &Channels, strip: Strip, signal: [&mut [f32]; 3]) {
    let at = strip.first * strip.width..strip.first * strip.width + strip.samples();
    for (channel, signal) in channels.iter().zip(signal) {
        signal.copy_from_slice(&channel[at.clone()]);
    }
}

impl Recorder {
    fn strip(&self, index: usize) -> Strip {
        let (width, height) = (self.format.width as usize, self.format.height as usize);
        let first = index * STRIP;
        Strip { first, rows: STRIP.min(height - first), width }
    }

    /// Reads the rows of a strip from the sensor.
    fn expose(&self, moment: &Moment, strip: Strip, signal: [&mut [f32]; 3]) {
        let mut scratch = Scratch::default();
        let [red, green, blue] = signal;
        let rows = red.chunks_exact_mut(strip.width).zip(green.chunks_exact_mut(strip.width));
        for (i, ((r, g), b)) in rows.zip(blue.chunks_exact_mut(strip.width)).enumerate() {
            self.sensor.row(&self.shot, moment, strip.first + i, &mut scratch, [r, g, b]);
        }
    }

    /// Light of frame `n` behind the spatial filter.
    fn light(&self, n: u64) -> Channels {
        let moment = self.sensor.moment(&self.shot, n);
        self.filtered(|strip, signal| self.expose(&moment, strip, signal))
    }

    /// Planes of light from `source`, behind the spatial filter.
    fn filtered(&self, source: impl Fn(Strip, [&mut [f32]; 3]) + Sync) -> Channels {
        let (width, height) = (self.format.width as usize, self.format.height as usize);
        let mut channels: Channels = std::array::from_fn(|_| vec![0.0; width * height]);
        let [red, green, blue] = &mut channels;
        let strips = red.chunks_mut(STRIP * width).zip(green.chunks_mut(STRIP * width));
        let jobs: Vec<_> = strips.zip(blue.chunks_mut(STRIP * width)).enumerate().collect();
        share(self.threads, jobs, |(index, ((r, g), b))| source(self.strip(index), [r, g, b]));
        let sigma = self.shot.reduction.spatial;
        share(self.threads.min(3), channels.iter_mut().collect(), |plane: &mut Vec<f32>| {
            reduction::blur(plane, width, height, sigma);
        });
        channels
    }

    /// Turns light into codes, strip by strip; `source` fills a strip of R, G and B.
    fn develop(&self, frame: &mut Frame, source: impl Fn(Strip, [&mut [f32]; 3]) + Sync) {
        let strips = (self.format.height as usize).div_ceil(STRIP);
        let mut jobs: Vec<(usize, Vec<&mut [u16]>)> = (0..strips).map(|index| (index, Vec::new())).collect();
        for (plane, writer) in frame.planes.iter_mut().zip(&self.writers) {
            let samples = plane.width * STRIP / writer.format.vertical.step as usize;
            for (job, part) in jobs.iter_mut().zip(plane.codes.chunks_mut(samples.max(1))) {
                job.1.push(part);
            }
        }
        let whole_steps = self.shot.reduction == Reduction::default();
        share(self.threads, jobs, |(index, parts)| {
            let strip = self.strip(index);
            let mut signal: Channels = std::array::from_fn(|_| vec![0.0; strip.samples()]);
            {
                let [r, g, b] = &mut signal;
                source(strip, [r, g, b]);
            }
            for channel in &mut signal {
                if whole_steps { self.curve.apply_to_steps(channel) } else { self.curve.apply(channel) }
            }
            let signal = [&signal[0][..], &signal[1], &signal[2]];
            for (writer, part) in self.writers.iter().zip(parts) {
                writer.write(signal, strip.width, strip.rows, part);
            }
        });
    }
}

impl Image {
    fn new(shot: &Shot, width: usize, height: usize) -> Self {
        let mut reflectances = shot.scene.reflectances(width, height);
        reduction::blur(&mut reflectances, width, height, shot.camera.blur);
        Self { scene: shot.scene, blur: shot.camera.blur, reflectances }
    }
}

/// Does `jobs` on up to `threads` threads, the first share on this one.
fn share<J: Send>(threads: usize, mut jobs: Vec<J>, work: impl Fn(J) + Sync) {
    let each = jobs.len().div_ceil(threads.max(1)).max(1);
    std::thread::scope(|scope| {
        while jobs.len() > each {
            let part = jobs.split_off(jobs.len() - each);
            scope.spawn(|| part.into_iter().for_each(&work));
        }
        jobs.into_iter().for_each(&work);
    });
}
