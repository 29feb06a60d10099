//! Level readings and an antenna pattern become a density of bearing on the circle.
