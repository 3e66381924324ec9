//! Numbers in, numbers out: weighted lines, noise spectrum, correlation, thinning. Knows nothing of fibre.
