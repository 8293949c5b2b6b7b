//! Finds the libraries and models that `models/setup.sh` fetched.
