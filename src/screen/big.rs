//! The large screen.

use super::{LastHeard, Screen};
use crate::procedure::Procedure;
use crate::session::{Action, Event, State};

pub struct Big;

impl Big {
    pub fn open() -> std::io::Result<Big> {
        Err(std::io::Error::other("not built yet"))
    }
}

impl Screen for Big {
    fn event(&mut self, _: &Procedure, _: &Event, _: &[Action]) {}
    fn show(&mut self, _: &Procedure, _: &State, _: Option<&LastHeard>) {}
    fn remark(&mut self, _: u64, _: &str) {}
}
