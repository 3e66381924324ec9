//! The only room that touches files: read, walk in order, write whole or not at all, hash.
