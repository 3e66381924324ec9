//! Two-column text exports: distance and level.
