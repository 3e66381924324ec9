//! Memory that a piece of work takes at most, counted by thread.

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;

struct Counting;

thread_local! {
    // Signed: a thread may give back what another took.
    static NOW: Cell<isize> = const { Cell::new(0) };
    static PEAK: Cell<isize> = const { Cell::new(0) };
}

fn count(bytes: isize) {
    // `try_with`: memory is also given back while a thread ends.
    let _ = NOW.try_with(|now| {
        now.set(now.get() + bytes);
        let _ = PEAK.try_with(|peak| peak.set(peak.get().max(now.get())));
    });
}

// SAFETY: every call is handed to the system's allocator as it came; counting touches two integers of
// this thread and takes no memory.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        count(layout.size() as isize);
        // SAFETY: the caller's own promise.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, place: *mut u8, layout: Layout) {
        count(-(layout.size() as isize));
        // SAFETY: the caller's own promise.
        unsafe { System.dealloc(place, layout) }
    }
}

#[global_allocator]
static COUNTING: Counting = Counting;

/// The most bytes that this thread held at once while `work` ran, above what it held before.
pub fn peak_of(work: impl FnOnce()) -> usize {
    let before = NOW.get();
    PEAK.set(before);
    work();
    usize::try_from(PEAK.get() - before).unwrap_or(0)
}

#[test]
fn memory_is_counted() {
    let peak = peak_of(|| {
        drop(vec![0_u8; 3000]);
        drop(vec![0_u8; 2000]);
    });
    assert!((3000..4000).contains(&peak), "{peak}");
}
