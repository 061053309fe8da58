//! Exposure: counters, calibration, and the walker model between counters.
