//! The simulator against closed forms and published values. None of these expected figures comes
//! from the program.

mod cables;
mod demo;
mod families;
mod odd;
mod physics;
