//! PROJ behind one door, and the mathematics of the ellipsoid and of local frames.
