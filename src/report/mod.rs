//! Tables, data and documents; returns bytes or text and calculates nothing.
