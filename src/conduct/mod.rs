//! conduct
