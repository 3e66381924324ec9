//! A trace in, its events, sections and span out, each figure with its sigma.
