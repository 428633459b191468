//! Music through sheets: what is read, what becomes of it, how loud it is, and trials of it.

#[path = "../support/mod.rs"]
mod support;

mod as_loud;
mod blind_trials;
mod music;
mod odd_music;
mod own_ear;
mod signals;
mod through_sheets;
