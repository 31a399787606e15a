//! Being told to stop.

use std::sync::Arc;
use std::sync::atomic::{AtomicI32, Ordering};

use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
use signal_hook::iterator::Signals;

/// What shells add to a signal's number to make an exit code.
const SIGNAL_BASE: i32 = 128;

/// Whether, and by which signal, the program was told to stop.
#[derive(Debug, Clone, Default)]
pub struct Stop(Arc<AtomicI32>);

impl Stop {
    /// Catches Ctrl-C, termination and the loss of the terminal from now on.
    ///
    /// # Errors
    /// What the system says.
    pub fn listen() -> std::io::Result<Self> {
        let stop = Self::default();
        let signal = Arc::clone(&stop.0);
        let mut signals = Signals::new([SIGINT, SIGTERM, SIGHUP])?;
        std::thread::spawn(move || {
            for number in signals.forever() {
                signal.store(number, Ordering::Relaxed);
            }
        });
        Ok(stop)
    }

    /// Whether to stop.
    #[must_use]
    pub fn asked(&self) -> bool {
        self.exit_code().is_some()
    }

    /// The exit code after a stop: 130 for Ctrl-C.
    #[must_use]
    pub fn exit_code(&self) -> Option<u8> {
        let number = self.0.load(Ordering::Relaxed);
        if number == 0 { None } else { u8::try_from(SIGNAL_BASE + number).ok() }
    }
}
