//! The plan file: cable, joints, limits, presets with their sources.
