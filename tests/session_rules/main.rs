//! The rules of moving on, from the outside: ordinary sessions by example, and properties of thousands of random ones.

mod contingencies;
mod decisions;
mod examples;
mod generate;
mod holds;
mod judge;
mod moves;
mod own_voice;
mod play;
mod properties;
