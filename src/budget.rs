//! Loss and power budgets by parts.
