//! Secrets: tokens that nobody can guess, and passwords that nobody can read back.

use std::sync::Arc;

use argon2::Argon2;
use argon2::password_hash::PasswordHasher;
use argon2::password_hash::PasswordVerifier;
use argon2::password_hash::phc::PasswordHash;
use tokio::sync::Semaphore;

/// Bytes of a token: 256 bits.
const N_TOKEN_BYTES: usize = 32;
/// How many passwords are hashed at once: each takes 19 MiB, so that many sign-ins at once cannot take all memory.
const N_AT_ONCE: usize = 2;

/// Why a secret could not be made or checked.
#[derive(Debug, thiserror::Error)]
pub enum SecretError {
    /// The operating system gave no random bytes.
    #[error("the operating system gave no random bytes: {0}")]
    Random(getrandom::Error),
    /// A password could not be hashed.
    #[error("a password could not be hashed: {0}")]
    Hash(String),
    /// The work was stopped.
    #[error("hashing was stopped")]
    Stopped,
}

/// A secret that is shown once: 64 hexadecimal digits.
#[derive(Clone, PartialEq, Eq)]
pub struct Token(String);

impl Token {
    /// A new one from the operating system's random numbers.
    ///
    /// # Errors
    /// [`SecretError::Random`] when there are none.
    pub fn new() -> Result<Self, SecretError> {
        let mut bytes = [0_u8; N_TOKEN_BYTES];
        getrandom::fill(&mut bytes).map_err(SecretError::Random)?;
        Ok(Self(bytes.iter().map(|byte| format!("{byte:02x}")).collect()))
    }

    /// The token to show, once.
    pub fn text(&self) -> &str {
        &self.0
    }

    /// What is stored: a hash is enough, since nobody guesses 256 bits.
    pub fn hash(&self) -> String {
        hash_of(&self.0)
    }
}

impl std::fmt::Debug for Token {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Token(…)")
    }
}

/// The hash under which a token that somebody sent would be stored.
pub fn hash_of(token: &str) -> String {
    blake3::hash(token.as_bytes()).to_hex().to_string()
}

/// Hashes and checks passwords off the async threads, few at a time.
#[derive(Clone)]
pub struct Passwords {
    at_once: Arc<Semaphore>,
    /// What a name that does not exist is checked against, so that it takes as long as one that does.
    nobody: Arc<str>,
}

impl Passwords {
    /// Ready to hash.
    ///
    /// # Errors
    /// [`SecretError`] when there are no random bytes.
    pub fn new() -> Result<Self, SecretError> {
        let nobody = hash_password(Token::new()?.text())?;
        Ok(Self { at_once: Arc::new(Semaphore::new(N_AT_ONCE)), nobody: nobody.into() })
    }

    /// An argon2id string of a password, with a salt of its own.
    ///
    /// # References
    /// Biryukov, A., Dinu, D., Khovratovich, D. and Josefsson, S. (2021). RFC 9106, Argon2. The parameters, 19 MiB and
    /// two passes, are the library's default and the least that OWASP's Password Storage Cheat Sheet names.
    ///
    /// # Errors
    /// [`SecretError`] when it could not be hashed.
    pub async fn hash(&self, password: String) -> Result<String, SecretError> {
        self.run(move || hash_password(&password)).await?
    }

    /// Whether a password is the one that was hashed. Without a stored string it takes as long and is wrong.
    ///
    /// # Errors
    /// [`SecretError`] when it could not be checked.
    pub async fn check(&self, password: String, stored: Option<String>) -> Result<bool, SecretError> {
        let exists = stored.is_some();
        let stored = stored.unwrap_or_else(|| self.nobody.to_string());
        Ok(self.run(move || verify(&password, &stored)).await? && exists)
    }

    async fn run<T: Send + 'static>(
        &self,
        work: impl FnOnce() -> T + Send + 'static,
    ) -> Result<T, SecretError> {
        let _permit = self.at_once.acquire().await.map_err(|_| SecretError::Stopped)?;
        tokio::task::spawn_blocking(work).await.map_err(|_| SecretError::Stopped)
    }
}

fn hash_password(password: &str) -> Result<String, SecretError> {
    let hashed = Argon2::default().hash_password(password.as_bytes());
    hashed.map(|hash| hash.to_string()).map_err(|error| SecretError::Hash(error.to_string()))
}

fn verify(password: &str, stored: &str) -> bool {
    PasswordHash::new(stored)
        .is_ok_and(|stored| Argon2::default().verify_password(password.as_bytes(), &stored).is_ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tokens_differ_and_do_not_show() {
        let (one, other) = (Token::new().unwrap(), Token::new().unwrap());
        assert_ne!(one.text(), other.text());
        assert_eq!(one.text().len(), 64);
        assert!(!format!("{one:?}").contains(one.text()));
        assert_eq!(one.hash(), hash_of(one.text()));
        assert!(!one.hash().contains(one.text()));
    }

    #[tokio::test]
    async fn only_the_password_itself_is_right() {
        let passwords = Passwords::new().unwrap();
        let stored = passwords.hash("four dry stones".to_owned()).await.unwrap();
        assert!(stored.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{stored}");
        assert_ne!(stored, passwords.hash("four dry stones".to_owned()).await.unwrap());
        let check = async |password: &str, stored: Option<&str>| {
            passwords.check(password.to_owned(), stored.map(str::to_owned)).await.unwrap()
        };
        assert!(check("four dry stones", Some(&stored)).await);
        assert!(!check("four dry stone", Some(&stored)).await);
        assert!(!check("four dry stones", None).await);
        assert!(!check("four dry stones", Some("no such string")).await);
    }
}
