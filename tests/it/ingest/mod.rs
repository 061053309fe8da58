//! Files of cameras as they come.

mod photo;
