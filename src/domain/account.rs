//! Who may do what: roles, rights, and the one table that joins them.

use crate::domain::batch::Content;
use crate::domain::ids::AccountId;
use crate::domain::terms::terms;

terms! {
    /// What an account is for. Visitors have none.
    Role, "roles", {
        /// Brings in records.
        Observer => "observer",
        /// Also decides, sets, and takes back.
        Manager => "manager",
        /// Also looks after accounts and safe keeping.
        Administrator => "administrator",
    }
}

terms! {
    /// What a token may be used for; never more than its account may.
    Scope, "scopes", {
        /// Reading.
        Read => "read",
        /// Reading, and bringing in files.
        BringIn => "bring in",
    }
}

terms! {
    /// What a page, a layer or a form needs.
    Right, "rights", {
        /// What anybody may see.
        SeePublic => "see what is public",
        /// Having an account.
        HaveAccount => "have an account",
        /// Exact places, single stretches, and everything computed from them.
        SeeExact => "see exact places",
        /// Bringing in files, mending rows, placing records by hand.
        BringIn => "bring in records",
        /// Settings, decisions, notices, taking back batches.
        Manage => "manage the area",
        /// How the server is: sizes, backups, failures.
        SeeServer => "see how the server is",
        /// Accounts.
        Administer => "administer the server",
        /// Reported bites, which are health data.
        SeeHealth => "see reported bites",
    }
}

/// The most that a role has without a grant, row by right: observer, manager, administrator.
///
/// An observer sees exact places only where an administrator granted it to that person; nobody sees reported bites
/// without such a grant.
const ROLE_RIGHTS: [(Right, [bool; 3]); 8] = [
    (Right::SeePublic, [true, true, true]),
    (Right::HaveAccount, [true, true, true]),
    (Right::SeeExact, [false, true, true]),
    (Right::BringIn, [true, true, true]),
    (Right::Manage, [false, true, true]),
    (Right::SeeServer, [false, false, true]),
    (Right::Administer, [false, false, true]),
    (Right::SeeHealth, [false, false, false]),
];

/// What an administrator granted to one person beyond the role.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Grants {
    /// Exact places.
    pub sees_exact: bool,
    /// Reported bites.
    pub sees_health: bool,
}

/// Whether a role with grants has a right.
pub fn allows(role: Role, grants: Grants, right: Right) -> bool {
    let granted = match right {
        Right::SeeExact => grants.sees_exact,
        Right::SeeHealth => grants.sees_health,
        _ => false,
    };
    let column = match role {
        Role::Observer => 0,
        Role::Manager => 1,
        Role::Administrator => 2,
    };
    granted || ROLE_RIGHTS.iter().any(|(known, by_role)| *known == right && by_role[column])
}

/// The right that bringing in rows of a content needs: what people met and where they walked anybody with an account may add;
/// what protects places, or what everything is measured by, only managers change.
pub fn right_to_bring_in(content: Content) -> Right {
    match content {
        Content::Encounters
        | Content::Form
        | Content::Photos
        | Content::Walks
        | Content::DoubleObserver
        | Content::SignInspections
        | Content::SignWatches => Right::BringIn,
        Content::Trails
        | Content::Counters
        | Content::Readings
        | Content::Calibrations
        | Content::Trailheads
        | Content::Places
        | Content::PartySizes
        | Content::Closures
        | Content::SensitivePlaces
        | Content::Species
        | Content::Signs
        | Content::SignsInPlace
        | Content::DailyWeather => Right::Manage,
    }
}

/// Whether a token of this scope may be used for a right at all.
pub fn scope_allows(scope: Scope, right: Right) -> bool {
    match right {
        Right::SeePublic | Right::SeeExact | Right::SeeServer => true,
        Right::BringIn => scope == Scope::BringIn,
        // Reported bites, decisions and accounts want a person who signed in.
        Right::HaveAccount | Right::Manage | Right::Administer | Right::SeeHealth => false,
    }
}

/// An account, without its password.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Account {
    /// The stored row.
    pub id: AccountId,
    /// The name to sign in with and to stand in histories; unique whatever its capitals.
    pub name: String,
    /// The role.
    pub role: Role,
    /// What was granted beyond it.
    pub grants: Grants,
    /// When it was made, seconds since 1970-01-01T00:00:00Z.
    pub created_at_s: i64,
    /// When it was disabled; none while it may be used.
    pub disabled_at_s: Option<i64>,
}

impl Account {
    /// Whether the account has a right.
    pub fn may(&self, right: Right) -> bool {
        self.disabled_at_s.is_none() && allows(self.role, self.grants, right)
    }
}

/// Why a password is refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum WeakPassword {
    /// Shorter than the least length.
    #[error("a password needs at least {} characters", LEAST_PASSWORD)]
    Short,
    /// Longer than anybody types.
    #[error("a password has at most {} characters", LONGEST_PASSWORD)]
    Long,
    /// The name, or one character again and again.
    #[error("a password must not be the name, nor one character again and again")]
    Guessable,
}

/// Least number of characters of a password: the only factor there is (NIST SP 800-63B-4, 2025, section 3.1.1.2).
pub const LEAST_PASSWORD: usize = 15;
/// Greatest number of characters of a password, so that hashing one takes a bounded time.
pub const LONGEST_PASSWORD: usize = 256;

/// Checks a new password for an account. Rules of composition are not asked for: they make passwords worse, not better.
///
/// # Errors
/// [`WeakPassword`] saying what is wrong with it.
pub fn check_password(password: &str, account_name: &str) -> Result<(), WeakPassword> {
    let n_characters = password.chars().count();
    if n_characters < LEAST_PASSWORD {
        return Err(WeakPassword::Short);
    }
    if n_characters > LONGEST_PASSWORD {
        return Err(WeakPassword::Long);
    }
    let first = password.chars().next();
    let repeats = password.chars().all(|character| Some(character) == first);
    if repeats || password.to_lowercase().replace(account_name.to_lowercase().as_str(), "").is_empty() {
        return Err(WeakPassword::Guessable);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_right_stands_in_the_table_once() {
        for right in Right::ALL {
            assert_eq!(ROLE_RIGHTS.iter().filter(|(known, _)| known == right).count(), 1, "{right}");
        }
    }

    #[test]
    fn a_higher_role_never_has_less() {
        for (right, by_role) in ROLE_RIGHTS {
            assert!(by_role.windows(2).all(|pair| pair[0] <= pair[1]), "{right}");
        }
    }

    #[test]
    fn bites_are_for_those_granted_only() {
        for role in Role::ALL {
            assert!(!allows(*role, Grants::default(), Right::SeeHealth));
            assert!(allows(*role, Grants { sees_health: true, ..Grants::default() }, Right::SeeHealth));
        }
        assert!(!allows(Role::Observer, Grants::default(), Right::SeeExact));
        assert!(allows(Role::Observer, Grants { sees_exact: true, ..Grants::default() }, Right::SeeExact));
    }

    #[test]
    fn a_disabled_account_has_no_right() {
        let account = Account {
            id: AccountId(1),
            name: "Ash".to_owned(),
            role: Role::Administrator,
            grants: Grants { sees_exact: true, sees_health: true },
            created_at_s: 0,
            disabled_at_s: Some(5),
        };
        assert!(Right::ALL.iter().all(|right| !account.may(*right)));
    }

    #[test]
    fn passwords_are_long_and_not_the_name() {
        let check = |password: &str| check_password(password, "Rowan Ash");
        assert_eq!(check("fourteen chars"), Err(WeakPassword::Short));
        assert_eq!(check(&"x".repeat(257)), Err(WeakPassword::Long));
        assert_eq!(check(&"x".repeat(20)), Err(WeakPassword::Guessable));
        assert_eq!(check("rowan ashRowan Ash"), Err(WeakPassword::Guessable));
        assert_eq!(check("four dry stones by the gate"), Ok(()));
        assert_eq!(check("ééééééééééééééa"), Ok(()));
    }
}
