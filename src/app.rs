//! The one `App`: store, derived layers, clock.
