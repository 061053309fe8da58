//! Readers first: computations give way to whoever waits for a page.

use std::sync::atomic::AtomicBool;
use std::sync::atomic::Ordering;

/// How much computations give way: the scheduler gives a thread of niceness 10 about a ninth of what one of 0 gets
/// (sched(7)), and all of it while nobody else asks.
#[cfg(target_os = "linux")]
const NICENESS: i32 = 10;

static READERS_FIRST: AtomicBool = AtomicBool::new(false);

/// From now on computations of this process give way to everything else in it. Once said, it cannot be unsaid, since a
/// thread may not raise its own priority again. Call it before any computation begins: it waits for those under way.
pub fn readers_first() {
    READERS_FIRST.store(true, Ordering::Relaxed);
    rayon::broadcast(|_| give_way());
}

/// Called on a thread that is about to compute.
pub(super) fn give_way() {
    #[cfg(target_os = "linux")]
    if READERS_FIRST.load(Ordering::Relaxed) {
        // On Linux a niceness belongs to the thread. Where it cannot be set, readers wait a little longer.
        let _ = rustix::process::setpriority_process(None, NICENESS);
    }
}

#[cfg(test)]
#[cfg(target_os = "linux")]
mod tests {
    use super::*;

    fn own() -> i32 {
        rustix::process::getpriority_process(None).unwrap()
    }

    #[test]
    fn only_threads_that_compute_give_way() {
        std::thread::spawn(|| {
            let before = own();
            readers_first();
            assert_eq!(own(), before);
            assert!(rayon::broadcast(|_| own()).into_iter().all(|niceness| niceness == NICENESS));
            give_way();
            assert_eq!(own(), NICENESS);
        })
        .join()
        .unwrap();
        // Neither does the thread that began it.
        assert_ne!(own(), NICENESS);
    }
}
