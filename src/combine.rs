//! One fibre from all its traces: both ends, all wavelengths, joints matched.
