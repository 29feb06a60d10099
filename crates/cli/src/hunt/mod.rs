//! A hunt from its files: logs, tables and results of runs, in the order in which they came in.

pub(crate) mod course;
pub(crate) mod groups;
pub(crate) mod moving;
pub(crate) mod several;
pub(crate) mod sources;
pub(crate) mod timeline;
