//! A path in; a trace, or an error that names the file, out.
