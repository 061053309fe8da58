//! Who asks, and what they may do.
//!
//! Every route names the right it needs where it is put into the route table ([`Routes`]). Handlers that read exact
//! places take the app as [`Exact`], which nobody gets who may not see them: the route table and the handler's own
//! signature both have to be wrong before a stranger sees a place.
//!
//! Without any account the server is open to whoever sits at the machine ([`Who::ThisMachine`]): it then listens on
//! loopback addresses only, and refuses requests that a proxy passed on or that name another host.

mod cookies;
mod identify;
mod routes;

use std::sync::Arc;

use axum::extract::FromRequestParts;
use axum::http::request::Parts;

use crate::app::App;
use crate::app::Trust;
use crate::derived::public::PublicLayer;
use crate::domain::account::Account;
use crate::domain::account::Right;
use crate::domain::account::Scope;
use crate::domain::account::right_to_bring_in;
use crate::domain::account::scope_allows;
use crate::domain::area::Area;
use crate::domain::batch::Content;
use crate::domain::revision::Revision;
use crate::signage::cautions::Cautions;
use crate::store::Reach;
use crate::web::error::Error;

pub use crate::web::auth::cookies::clear_cookie;
pub use crate::web::auth::cookies::session_cookie;
pub use crate::web::auth::identify::client_address;
pub use crate::web::auth::identify::identify;
pub use crate::web::auth::routes::Route;
pub use crate::web::auth::routes::Routes;

/// Who asks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Who {
    /// Anybody.
    Visitor,
    /// Whoever sits at this machine, while there are no accounts.
    ThisMachine,
    /// Somebody who signed in; with the hash of the session's token.
    SignedIn(Account, String),
    /// A script or client with a token.
    Token(Account, Scope),
}

impl Who {
    /// Whether they have a right.
    pub fn may(&self, right: Right) -> bool {
        match self {
            Self::Visitor => right == Right::SeePublic,
            Self::ThisMachine => true,
            Self::SignedIn(account, _) => account.may(right),
            Self::Token(account, scope) => scope_allows(*scope, right) && account.may(right),
        }
    }

    /// Their rights in one number, one bit each, and one for whoever has no account: their forms ask for a name.
    pub fn rights(&self) -> u16 {
        let has_name = u16::from(*self == Self::ThisMachine) << Right::ALL.len();
        has_name
            + Right::ALL
                .iter()
                .enumerate()
                .map(|(idx, right)| u16::from(self.may(*right)) << idx)
                .sum::<u16>()
    }

    /// The name that stands in histories.
    pub fn name(&self) -> &str {
        match self {
            Self::Visitor => "visitor",
            Self::ThisMachine => "this machine",
            Self::SignedIn(account, _) | Self::Token(account, _) => &account.name,
        }
    }

    /// The name under which a change is kept: the account's, or, while there are none, the one typed in.
    pub fn signs_as(&self, typed: &str) -> String {
        match self {
            Self::ThisMachine => typed.to_owned(),
            _ => self.name().to_owned(),
        }
    }

    /// Whether they may bring in rows of a content; with a token, whether its account may.
    pub fn may_bring_in(&self, content: Content) -> bool {
        let right = right_to_bring_in(content);
        match self {
            Self::Token(account, scope) => scope_allows(*scope, Right::BringIn) && account.may(right),
            _ => self.may(right),
        }
    }

    /// What is left to them when they bring in files.
    pub fn trust(&self) -> Trust {
        let may = |right| match self {
            Self::Token(account, _) => account.may(right),
            _ => self.may(right),
        };
        let reach = if may(Right::SeeExact) { Reach::Everything } else { Reach::OwnRecords };
        Trust { reach, reviews: may(Right::Manage) }
    }

    /// The account of somebody who signed in or sent a token.
    pub fn account(&self) -> Option<&Account> {
        match self {
            Self::SignedIn(account, _) | Self::Token(account, _) => Some(account),
            Self::Visitor | Self::ThisMachine => None,
        }
    }

    /// The account of somebody who signed in, and the hash of the session's token.
    pub fn signed_in(&self) -> Option<(&Account, &str)> {
        match self {
            Self::SignedIn(account, token_hash) => Some((account, token_hash)),
            Self::Visitor | Self::ThisMachine | Self::Token(..) => None,
        }
    }

    /// Fails unless they have a right: asks to sign in where that would help.
    ///
    /// # Errors
    /// [`Error::SignInFirst`] for visitors, [`Error::Forbidden`] for everybody else.
    pub fn require(&self, right: Right) -> Result<(), Error> {
        match self {
            who if who.may(right) => Ok(()),
            Self::Visitor => Err(Error::SignInFirst),
            _ => Err(Error::Forbidden(format!("Your account has no right to {right}."))),
        }
    }
}

impl<S: Send + Sync> FromRequestParts<S> for Who {
    type Rejection = Error;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Error> {
        let unknown = || Error::Internal("nobody asked who it is".to_owned());
        parts.extensions.get::<Self>().cloned().ok_or_else(unknown)
    }
}

/// The app, for those who may see exact places. There is no other way to get one of these.
pub struct Exact(App);

impl std::ops::Deref for Exact {
    type Target = App;

    fn deref(&self) -> &App {
        &self.0
    }
}

impl FromRequestParts<App> for Exact {
    type Rejection = Error;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Error> {
        Who::from_request_parts(parts, app).await?.require(Right::SeeExact)?;
        Ok(Self(app.clone()))
    }
}

/// The app, for everybody: it gives out what is public, and nothing else.
pub struct Public(App);

impl Public {
    /// What anybody may see, with the area it is about.
    ///
    /// # Errors
    /// [`Error::Unanswerable`] before there are trails and walking.
    pub async fn layer(&self) -> Result<PublicAnswer, Error> {
        let deriver = self.0.deriver();
        let facts = deriver.facts().await?;
        let layer = deriver.public(&facts).await?;
        Ok(PublicAnswer { area: facts.area.clone(), layer: layer.value, revision: facts.revision })
    }

    /// What is said to visitors about snakes and bites.
    pub fn cautions(&self) -> &Cautions {
        &self.0.texts().cautions
    }
}

/// What anybody may see of an area.
pub struct PublicAnswer {
    /// The area.
    pub area: Area,
    /// The layer.
    pub layer: Arc<PublicLayer>,
    /// What it rests on; for keeping the answer, never to be told.
    pub(in crate::web) revision: Revision,
}

/// Which of the two views of the truth somebody gets.
pub enum Sight {
    /// Everything, with exact places.
    Exact(Exact),
    /// What is public.
    Public(Public),
}

impl FromRequestParts<App> for Sight {
    type Rejection = Error;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Error> {
        let who = Who::from_request_parts(parts, app).await?;
        Ok(match who.may(Right::SeeExact) {
            true => Self::Exact(Exact(app.clone())),
            false => Self::Public(Public(app.clone())),
        })
    }
}
