//! Reads fibre-optic OTDR traces, finds every event with loss, reflectance and an honest
//! uncertainty, and judges links and whole cables.
//!
//! The rooms, in reading order: [`units`], [`glass`] and [`signal`] are the ground, [`disk`] alone touches
//! files; [`event`] and [`trace`] are the nouns; [`sor`], [`text`] and [`source`] bring a file in;
//! [`simulate`] renders a described fibre, [`detect`] measures a trace, [`combine`] joins all traces
//! of one fibre; [`grade`], [`plan`], [`budget`], [`judge`], [`findings`], [`job`] and [`diagnose`] judge; [`draft`]
//! guesses a plan; [`copies`] brings traces home and corrects their labels; [`plot`] and [`report`]
//! show. A room knows only the rooms before it; `tests/layers.rs` keeps that.
#![forbid(unsafe_code)]
#![deny(missing_docs)]

pub mod budget;
pub mod combine;
pub mod copies;
pub mod detect;
pub mod diagnose;
pub mod disk;
pub mod draft;
pub mod event;
pub mod findings;
pub mod glass;
pub mod grade;
pub mod job;
pub mod judge;
pub mod plan;
#[cfg(feature = "cli")]
pub mod plot;
pub mod report;
pub mod signal;
pub mod simulate;
pub mod sor;
pub mod source;
pub mod text;
pub mod trace;
pub mod units;
