//! Configuration and the composition of the stages into a pipeline.
