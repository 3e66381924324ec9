//! Limits, conformance probability, verdicts, and what would decide.
