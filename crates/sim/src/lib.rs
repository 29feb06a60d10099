//! Truth to samples: emitters, paths, antennas that are turned or switched, coherent channels, noise and receiver faults.
//!
//! A [`Scene`] is read from TOML; a [`Renderer`] makes one station's samples, block after block; the truth that belongs to
//! them ([`StationTruth`], [`SceneTruth`]) goes to tests and reports, never to an estimator. The same scene and seed give
//! the same bytes, however they are cut into blocks.
//!
//! ```
//! use lobewright_sim::Scene;
//!
//! let scene = Scene::hill_country_demo(1);
//! let mut renderer = scene.renderer(0)?;
//! let block = renderer.next_block().expect("the recording is not empty");
//! assert_eq!(block.start.0, 0);
//! assert!(renderer.truth().transmitters[0].snr_db.0 > 10.0);
//! # Ok::<(), lobewright_sim::SceneError>(())
//! ```

#![warn(clippy::disallowed_methods)]

mod antenna_model;
mod check;
mod check_antenna;
mod check_station;
mod complete;
pub mod constants;
mod cycle;
mod emission;
mod error;
mod fading;
mod filter;
mod impulses;
mod morse;
mod noise_level;
mod path;
mod propagation;
mod receiver;
mod renderer;
mod rotator;
mod scene;
mod spec;
mod spec_antenna;
mod spec_receiver;
mod spec_rotator;
mod streams;
mod switching;
mod truth;
mod voice;

pub use error::SceneError;
pub use fading::FadingProcess;
pub use morse::{MorseText, code_of, dot_s};
pub use propagation::{free_space_loss_db, system_noise_dbm, thermal_noise_dbm};
pub use renderer::{RenderedBlock, Renderer};
pub use rotator::Rotator;
pub use scene::{HILL_COUNTRY_TOML, PatternResolver, Scene};
pub use spec::{
    CycleScene, EmissionScene, FadingScene, IdentificationPlace, IdentificationScene, MorseMode, PathLoss,
    ReflectionScene, SceneHeader, StationScene, TransmitterScene,
};
pub use spec_antenna::{
    AntennaScene, ArrayScene, GainErrorScene, PatternErrorScene, SectorScene, SwitchScene,
};
pub use spec_receiver::{IgnitionScene, ImpulseScene, InterfererScene, NoiseStepScene, ReceiverScene};
pub use spec_rotator::RotatorScene;
pub use truth::{
    ArrayTruth, BurstTruth, ReceivedTruth, ReflectionTruth, SceneTruth, StationTruth, TransmitterTruth,
};
