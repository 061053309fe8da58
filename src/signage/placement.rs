//! Choosing sign locations: maximum expected warned encounters.
