//! Numbers in, numbers out: weighted lines, banded systems, quantiles, correlation, thinning. Knows
//! nothing of fibre.

pub mod envelope;
pub mod lanes;
pub mod line;
pub mod normal;
pub mod order;
pub mod thin;
