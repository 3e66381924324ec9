//! Pictures of traces and cables, as SVG and PNG bytes.
