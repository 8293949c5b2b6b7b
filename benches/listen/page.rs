//! To be written.
pub fn measure() -> Result<String, String> {
    Err("not yet".to_string())
}
