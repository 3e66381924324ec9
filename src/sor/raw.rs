//! The blocks of an SR-4731 file as bytes with their offsets, and the checksum.
