//! A signature over a session's last digest: who holds the key vouches for the whole record.
//!
//! Owns `signature.json` and keys in PKCS#8 PEM (RFC 8410), as other tools make and read them. What is signed is the
//! digest as its 64 hex digits, Ed25519 (RFC 8032), so that it can be checked without this program. Must not know what a
//! record holds.

use super::folder::write_private;
use super::ledger::LEDGER_SIGNATURE;
use super::verify::{Finding, Weight};
use super::{strict, Lock, RecordError};
use crate::files::{self, Links};
use ed25519_dalek::pkcs8::spki::der::pem::LineEnding;
use ed25519_dalek::pkcs8::{DecodePrivateKey, DecodePublicKey, EncodePrivateKey, EncodePublicKey};
use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};
use rand::RngExt;
use serde::{Deserialize, Serialize};
use std::io::{self, ErrorKind};
use std::path::Path;

/// The signature's file in a session's folder.
pub const SIGNATURE: &str = "signature.json";

/// Largest `signature.json` or key read, bytes.
const MAX: u64 = 1 << 16;

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Signed {
    /// `ed25519`.
    pub algorithm: String,
    /// What was signed: the digest of the journal's last line.
    pub journal_sha256: String,
    /// PEM.
    pub public_key: String,
    /// 128 hex digits.
    pub signature: String,
}

/// A new key from the system's source of randomness.
pub fn new_key() -> SigningKey {
    SigningKey::from_bytes(&rand::rng().random())
}

/// Writes the private key (readable by its owner only) and, beside it, the public one as `FILE.pub`.
pub fn write_key(key: &SigningKey, path: &Path) -> Result<(), String> {
    let private = key.to_pkcs8_pem(LineEnding::LF).map_err(|error| error.to_string())?;
    let mut public = path.as_os_str().to_os_string();
    public.push(".pub");
    write_private(path, private.as_bytes()).map_err(|error| error.to_string())?;
    write_private(Path::new(&public), pem(&key.verifying_key())?.as_bytes())
        .map_err(|error| error.to_string())
}

/// Why there is no key to be had from a file.
#[derive(Debug)]
pub enum BadKey {
    Unreadable(io::Error),
    NoKey(String),
}

pub fn read_key(path: &Path) -> Result<SigningKey, BadKey> {
    SigningKey::from_pkcs8_pem(&key_text(path)?)
        .map_err(|error| BadKey::NoKey(format!("not an Ed25519 key in PKCS#8 PEM: {error}")))
}

pub fn read_public_key(path: &Path) -> Result<VerifyingKey, BadKey> {
    VerifyingKey::from_public_key_pem(&key_text(path)?)
        .map_err(|error| BadKey::NoKey(format!("not an Ed25519 public key in PEM: {error}")))
}

fn key_text(path: &Path) -> Result<String, BadKey> {
    files::read_text(path, Links::Follow, MAX).map_err(BadKey::Unreadable)
}

fn pem(key: &VerifyingKey) -> Result<String, String> {
    key.to_public_key_pem(LineEnding::LF).map_err(|error| error.to_string())
}

/// Signs a digest.
pub fn sign(digest: &str, key: &SigningKey) -> Result<Signed, String> {
    let signature = key.sign(digest.as_bytes()).to_bytes();
    Ok(Signed {
        algorithm: "ed25519".into(),
        journal_sha256: digest.to_string(),
        public_key: pem(&key.verifying_key())?,
        signature: signature.iter().map(|byte| format!("{byte:02x}")).collect(),
    })
}

/// Puts the signature into the session's folder.
pub fn write(folder: &Path, signed: &Signed) -> Result<(), RecordError> {
    let _lock = Lock::of(folder)?;
    write_json(&folder.join(SIGNATURE), signed)
}

fn write_json(path: &Path, signed: &impl Serialize) -> Result<(), RecordError> {
    let mut bytes = serde_json::to_vec_pretty(signed)
        .map_err(|error| RecordError::Event { kind: SIGNATURE.into(), why: error.to_string() })?;
    bytes.push(b'\n');
    write_private(path, &bytes).map_err(|error| RecordError::io("write the signature", path, error))
}

/// What a signature in the folder is worth; `None` when there is none. With a key, only that key's will do. Errors: when it
/// can't be read, which says nothing about the record.
pub fn check(
    folder: &Path,
    digest: Option<&str>,
    key: Option<&VerifyingKey>,
) -> Result<Option<Finding>, RecordError> {
    let path = folder.join(SIGNATURE);
    let bad = |what: String| Some(Finding { weight: Weight::Altered, file: SIGNATURE, line: None, what });
    let text = match files::read_text(&path, Links::Refuse, MAX) {
        Ok(text) => text,
        Err(error) => {
            return match error.kind() {
                ErrorKind::NotFound => Ok(key.and_then(|_| bad("the record is not signed".into()))),
                ErrorKind::InvalidData => Ok(bad(format!("can't be read: {error}"))),
                _ => Err(RecordError::io("read the signature", &path, error)),
            }
        }
    };
    Ok(match judge(&text, digest, key) {
        Ok(who) => Some(Finding {
            weight: Weight::Note,
            file: SIGNATURE,
            line: None,
            what: match key {
                Some(_) => format!("signed with the key given ({who})"),
                None => {
                    format!("signed with key {who}; give --public-key to see whether it is the right one")
                }
            },
        }),
        Err(what) => bad(what),
    })
}

/// Short name of the key that the session in this folder is signed with, as its signature names it.
pub fn key_of(folder: &Path) -> Option<String> {
    let signed: Signed =
        strict::from_slice(&files::read(&folder.join(SIGNATURE), Links::Refuse, MAX).ok()?).ok()?;
    VerifyingKey::from_public_key_pem(&signed.public_key).ok().map(|key| short_name(&key))
}

/// A signature over a ledger's digest, as it is kept.
#[derive(Serialize, Deserialize)]
struct SignedLedger {
    algorithm: String,
    /// What was signed: the digest of the ledger's last entry then.
    ledger_sha256: String,
    public_key: String,
    signature: String,
}

/// Puts the signature beside the ledger in this folder.
pub fn write_ledger(root: &Path, signed: &Signed) -> Result<(), RecordError> {
    let Signed { algorithm, journal_sha256: ledger_sha256, public_key, signature } = signed.clone();
    let signed = SignedLedger { algorithm, ledger_sha256, public_key, signature };
    write_json(&root.join(LEDGER_SIGNATURE), &signed)
}

/// What a signature beside a ledger with these digests is worth: up to which entry (from 1) it holds, in words. `None`
/// when there is none and none is asked for.
pub fn check_ledger(
    root: &Path,
    digests: &[String],
    key: Option<&VerifyingKey>,
) -> Option<Result<(usize, String), String>> {
    let path = root.join(LEDGER_SIGNATURE);
    let text = match files::read_text(&path, Links::Refuse, MAX) {
        Ok(text) => text,
        Err(error) if error.kind() == ErrorKind::NotFound => {
            return key.map(|_| Err("the ledger is not signed".into()));
        }
        Err(why) => return Some(Err(format!("its signature can't be read: {why}"))),
    };
    Some((|| {
        let signed: SignedLedger = strict::from_slice(text.as_bytes())
            .map_err(|error| format!("{LEDGER_SIGNATURE} is no signature: {error}"))?;
        let SignedLedger { algorithm, ledger_sha256: journal_sha256, public_key, signature } = signed;
        let at = digests.iter().position(|digest| *digest == journal_sha256);
        let at =
            at.ok_or("was signed with a last digest that is no entry's: it is another ledger, or was cut")?;
        let signed = Signed { algorithm, journal_sha256, public_key, signature };
        let who = hold(&signed, key)?;
        let after = digests.len() - at - 1;
        Ok((at + 1, format!("is signed up to here with key {who}; {after} entries came after it")))
    })())
}

/// The key's short name when the signature holds.
fn judge(bytes: &str, digest: Option<&str>, wanted: Option<&VerifyingKey>) -> Result<String, String> {
    let signed: Signed =
        strict::from_slice(bytes.as_bytes()).map_err(|error| format!("is no signature: {error}"))?;
    if Some(signed.journal_sha256.as_str()) != digest {
        return Err("signs another last digest than the journal has".into());
    }
    hold(&signed, wanted)
}

/// The same, whatever was signed.
fn hold(signed: &Signed, wanted: Option<&VerifyingKey>) -> Result<String, String> {
    if signed.algorithm != "ed25519" {
        return Err(format!("its algorithm is {:?}, not ed25519", signed.algorithm));
    }
    let key = VerifyingKey::from_public_key_pem(&signed.public_key)
        .map_err(|error| format!("its public key can't be read: {error}"))?;
    if wanted.is_some_and(|wanted| *wanted != key) {
        return Err("was made with another key than the one given".into());
    }
    let signature = unhex(&signed.signature).ok_or("its signature is not 128 hex digits")?;
    key.verify_strict(signed.journal_sha256.as_bytes(), &Signature::from_bytes(&signature))
        .map_err(|_| "does not fit the digest: it was not made with the key that it names".to_string())?;
    Ok(short_name(&key))
}

/// The first 16 hex digits of the key.
pub fn short_name(key: &VerifyingKey) -> String {
    key.as_bytes()[..8].iter().map(|byte| format!("{byte:02x}")).collect()
}

fn unhex(text: &str) -> Option<[u8; 64]> {
    let mut bytes = [0u8; 64];
    if text.len() != 128 || !text.is_ascii() {
        return None;
    }
    for (byte, at) in bytes.iter_mut().zip((0..128).step_by(2)) {
        *byte = u8::from_str_radix(&text[at..at + 2], 16).ok()?;
    }
    Some(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    const DIGEST: &str = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";

    /// RFC 8032, 7.1, test 1 (values from memory): the empty message.
    #[test]
    fn the_signature_of_the_published_example_comes_out() {
        let secret = "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60";
        let wanted = "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46b\
                      d25bf5f0595bbe24655141438e7a100b";
        let mut bytes = [0; 32];
        for (byte, at) in bytes.iter_mut().zip((0..64).step_by(2)) {
            *byte = u8::from_str_radix(&secret[at..at + 2], 16).unwrap();
        }
        let key = SigningKey::from_bytes(&bytes);
        assert_eq!(short_name(&key.verifying_key()), "d75a980182b10ab7");
        assert_eq!(sign("", &key).unwrap().signature, wanted);
    }

    #[test]
    fn a_signature_holds_for_its_digest_and_its_key_only() {
        let room = tempfile::tempdir().unwrap();
        let (key, other) = (new_key(), new_key());
        assert_eq!(check(room.path(), Some(DIGEST), None).unwrap(), None);
        let unsigned = check(room.path(), Some(DIGEST), Some(&key.verifying_key())).unwrap().unwrap();
        assert_eq!(unsigned.weight, Weight::Altered);
        write(room.path(), &sign(DIGEST, &key).unwrap()).unwrap();
        let weight = |digest: &str, key: Option<&SigningKey>| {
            let key = key.map(SigningKey::verifying_key);
            check(room.path(), Some(digest), key.as_ref()).unwrap().unwrap().weight
        };
        assert_eq!(weight(DIGEST, None), Weight::Note);
        assert_eq!(weight(DIGEST, Some(&key)), Weight::Note);
        assert_eq!(weight(DIGEST, Some(&other)), Weight::Altered);
        assert_eq!(weight(&DIGEST.replace('b', "c"), None), Weight::Altered);
    }

    #[test]
    fn a_forged_or_broken_signature_is_found() {
        let room = tempfile::tempdir().unwrap();
        let (key, other) = (new_key(), new_key());
        let good = sign(DIGEST, &key).unwrap();
        let forged = Signed { public_key: pem(&other.verifying_key()).unwrap(), ..good.clone() };
        let cut = Signed { signature: good.signature[..100].into(), ..good.clone() };
        let odd = Signed { algorithm: "rot13".into(), ..good };
        for bad in [forged, cut, odd] {
            write(room.path(), &bad).unwrap();
            assert_eq!(
                check(room.path(), Some(DIGEST), None).unwrap().unwrap().weight,
                Weight::Altered,
                "{bad:?}"
            );
        }
        fs::write(room.path().join(SIGNATURE), "{").unwrap();
        assert_eq!(check(room.path(), Some(DIGEST), None).unwrap().unwrap().weight, Weight::Altered);
    }

    #[test]
    fn a_key_is_read_back_as_it_was_written() {
        let room = tempfile::tempdir().unwrap();
        let path = room.path().join("unit.pem");
        let key = new_key();
        write_key(&key, &path).unwrap();
        assert_eq!(read_key(&path).unwrap(), key);
        assert_eq!(read_public_key(&room.path().join("unit.pem.pub")).unwrap(), key.verifying_key());
        assert!(read_key(&room.path().join("unit.pem.pub")).is_err());
    }
}
