//! Remembers what was computed: one computation for the same question at the same time.

use std::collections::HashMap;
use std::hash::Hash;
use std::sync::Arc;
use std::sync::Mutex;
use std::sync::PoisonError;

use tokio::sync::OnceCell;

use crate::domain::revision::Revision;

type Slots<K, V> = HashMap<(Revision, K), Arc<OnceCell<Arc<V>>>>;

/// The values of one layer, by revision and parameters. A newer revision drops what older ones left.
pub struct Memo<K, V> {
    slots: Mutex<Slots<K, V>>,
    capacity: usize,
}

impl<K: Eq + Hash + Clone, V> Memo<K, V> {
    /// An empty memory; asked for more than `capacity` different parameters at one revision, it starts afresh.
    pub fn new(capacity: usize) -> Self {
        Self { slots: Mutex::new(HashMap::new()), capacity }
    }

    /// The value of a key at a revision: remembered, awaited where it is being computed, or computed now.
    ///
    /// # Errors
    /// What `compute` returns. A failure is not remembered: the next question computes again.
    pub async fn get<E, F>(&self, revision: Revision, key: K, compute: F) -> Result<Arc<V>, E>
    where
        F: AsyncFnOnce() -> Result<V, E>,
    {
        let slot = self.slot(revision, key);
        slot.get_or_try_init(async || compute().await.map(Arc::new)).await.cloned()
    }

    fn slot(&self, revision: Revision, key: K) -> Arc<OnceCell<Arc<V>>> {
        let mut slots = self.slots.lock().unwrap_or_else(PoisonError::into_inner);
        slots.retain(|(kept, _), _| *kept >= revision);
        let wanted = (revision, key);
        if slots.len() >= self.capacity && !slots.contains_key(&wanted) {
            // What is asked for at a revision that has passed does not drive out what is of a newer one.
            if slots.keys().any(|(kept, _)| *kept > wanted.0) {
                return Arc::default();
            }
            // What somebody waits for stays, or two readers of many choices would throw out each other's for ever.
            slots.retain(|_, slot| !slot.initialized() && Arc::strong_count(slot) > 1);
        }
        Arc::clone(slots.entry(wanted).or_default())
    }
}

#[cfg(test)]
mod tests {
    use std::convert::Infallible;
    use std::sync::atomic::AtomicUsize;
    use std::sync::atomic::Ordering;

    use super::*;

    #[tokio::test]
    async fn the_same_question_is_computed_once() {
        let memo = Memo::new(4);
        let computed = AtomicUsize::new(0);
        let ask = async |revision: u64, key: u32| {
            let compute = async || {
                computed.fetch_add(1, Ordering::SeqCst);
                tokio::task::yield_now().await;
                Ok::<_, Infallible>(key * 2)
            };
            memo.get(Revision(revision), key, compute).await
        };
        let (first, second) = tokio::join!(ask(1, 21), ask(1, 21));
        assert_eq!((*first.unwrap(), *second.unwrap()), (42, 42));
        assert_eq!(computed.load(Ordering::SeqCst), 1);
        assert_eq!(*ask(2, 21).await.unwrap(), 42);
        assert_eq!(computed.load(Ordering::SeqCst), 2);
    }

    /// A reader of the former revision does not throw out what readers of the present one wait for.
    #[tokio::test]
    async fn a_revision_that_has_passed_drives_nothing_out() {
        let memo: Memo<u8, u8> = Memo::new(1);
        let ask = async |revision: u64, value: u8| {
            *memo.get(Revision(revision), 0, async || Ok::<_, Infallible>(value)).await.unwrap()
        };
        assert_eq!(ask(2, 20).await, 20);
        assert_eq!(ask(1, 10).await, 10);
        assert_eq!(ask(2, 21).await, 20, "kept");
    }

    /// Whoever asks again for what is being computed gets it, however many other choices were asked for meanwhile.
    #[tokio::test]
    async fn what_is_being_computed_is_not_thrown_out() {
        let memo: Arc<Memo<u8, u8>> = Arc::new(Memo::new(1));
        let go = Arc::new(tokio::sync::Notify::new());
        let (begun, slow) = (Arc::new(tokio::sync::Notify::new()), Arc::clone(&memo));
        let (told, may_end) = (Arc::clone(&begun), Arc::clone(&go));
        let first = tokio::spawn(async move {
            let wait = async || {
                told.notify_one();
                may_end.notified().await;
                Ok::<_, Infallible>(1)
            };
            *slow.get(Revision(1), 1, wait).await.unwrap()
        });
        begun.notified().await;
        for other in 2..5 {
            assert_eq!(
                *memo.get(Revision(1), other, async || Ok::<_, Infallible>(other)).await.unwrap(),
                other
            );
        }
        let again = async { *memo.get(Revision(1), 1, async || Ok::<_, Infallible>(9)).await.unwrap() };
        go.notify_one();
        let (first, again) = tokio::join!(first, again);
        assert_eq!((first.unwrap(), again), (1, 1));
    }

    #[tokio::test]
    async fn a_failure_is_not_remembered() {
        let memo: Memo<u8, u8> = Memo::new(4);
        assert_eq!(memo.get(Revision(1), 0, async || Err("no")).await, Err("no"));
        assert_eq!(memo.get(Revision(1), 0, async || Ok::<_, &str>(7)).await.map(|value| *value), Ok(7));
    }
}
