//! What the element asks of those that make buffers upstream.

use crate::frames::Layout;

/// Asks for as many buffers more as frames are kept while there is a grid: one, or one of each field.
pub fn ask_for_kept(query: &mut gst::query::Allocation) {
    let (caps, _) = query.get();
    let Some(layout) = caps.and_then(|caps| Layout::from_caps(caps).ok()) else { return };
    let more = if layout.scan() == noise_measure::format::Scan::Alternate { 2 } else { 1 };
    let raised = |count: u32| count.saturating_add(more);
    let pools: Vec<_> = query
        .allocation_pools()
        .map(|(pool, size, least, most)| (pool.to_owned(), size, least, most))
        .collect();
    for (index, (pool, size, least, most)) in (0..).zip(pools) {
        // No limit is written as 0.
        let most = if most == 0 { 0 } else { raised(most) };
        query.set_nth_allocation_pool(index, pool.as_ref(), size, raised(least), most);
    }
}
