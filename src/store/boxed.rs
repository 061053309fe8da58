//! Futures on the heap.

use std::future::Future;
use std::pin::Pin;

/// Puts a future on the heap.
///
/// An `async fn` holds the states of everything that it awaits, and the compiler makes the code of all of them anew in every
/// crate that awaits it. Where much is awaited one after the other that costs minutes of building; a pointer costs an
/// allocation. Never inlined: what the pointer leads to must stay unknown to whoever awaits it.
#[inline(never)]
pub(crate) fn boxed<'a, T>(
    future: impl Future<Output = T> + Send + 'a,
) -> Pin<Box<dyn Future<Output = T> + Send + 'a>> {
    Box::pin(future)
}
