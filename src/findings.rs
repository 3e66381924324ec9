//! What no single limit sees: copies, swaps, wrong settings, outliers.
