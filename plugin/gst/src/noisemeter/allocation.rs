//! What the element asks of those that make buffers upstream.

use crate::frames::Layout;

/// Asks for as many buffers more as frames are kept while there is a grid: one, or one of each field. Pools with a limit
/// are left as they are, since frames of theirs are copied.
pub fn ask_for_kept(query: &mut gst::query::Allocation) {
    let (caps, _) = query.get();
    let Some(layout) = caps.and_then(|caps| Layout::from_caps(caps).ok()) else { return };
    let more = if layout.scan() == noise_measure::format::Scan::Alternate { 2 } else { 1 };
    let pools: Vec<_> = query
        .allocation_pools()
        .map(|(pool, size, least, most)| (pool.to_owned(), size, least, most))
        .collect();
    for (index, (pool, size, least, most)) in (0..).zip(pools) {
        // No limit is written as 0.
        if most == 0 {
            query.set_nth_allocation_pool(index, pool.as_ref(), size, least.saturating_add(more), most);
        }
    }
}
