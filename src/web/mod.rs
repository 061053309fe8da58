//! Pages, layers and the routes to them.
