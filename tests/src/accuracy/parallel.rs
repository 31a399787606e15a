//! Work on all processors; what comes out does not depend on how many there are.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

/// `work` for 0 to `count` − 1, on as many threads as there are processors; results in order.
///
/// # Panics
/// Where `work` does.
pub fn map<T: Send>(count: usize, work: impl Fn(usize) -> T + Sync) -> Vec<T> {
    let next = AtomicUsize::new(0);
    let threads = thread::available_parallelism().map_or(1, usize::from).min(count);
    let mut results: Vec<(usize, T)> = thread::scope(|scope| {
        let take = || {
            let mut done = Vec::new();
            loop {
                let index = next.fetch_add(1, Ordering::Relaxed);
                if index >= count {
                    return done;
                }
                done.push((index, work(index)));
            }
        };
        let handles: Vec<_> = (0..threads).map(|_| scope.spawn(take)).collect();
        handles
            .into_iter()
            .flat_map(|handle| handle.join().expect("a worker's panic is this one's"))
            .collect()
    });
    results.sort_by_key(|(index, _)| *index);
    results.into_iter().map(|(_, result)| result).collect()
}
