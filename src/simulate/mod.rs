//! A described fibre in, a trace and its truth out: the physics of the crate's tests and demo data.
