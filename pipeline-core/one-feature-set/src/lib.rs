//! No code. Cargo joins the features of a dependency over the packages that are built together; every package of the workspace depends on this
//! one, so that each choice of packages (`-p NAME`) has the same features and nothing is built anew.
