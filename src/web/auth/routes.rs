//! The route table: no route without the right it needs.

use axum::Router;
use axum::extract::Request;
use axum::extract::State;
use axum::handler::Handler;
use axum::http::Method;
use axum::middleware;
use axum::middleware::Next;
use axum::response::Response;
use axum::routing::MethodRouter;
use axum::routing::get;
use axum::routing::post;

use crate::app::App;
use crate::domain::account::Right;
use crate::web::auth::Who;
use crate::web::error::Error;

/// One line of the table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Route {
    /// GET or POST.
    pub method: Method,
    /// The path, parameters in braces.
    pub path: &'static str,
    /// The right it needs.
    pub right: Right,
}

/// Routes, each with the right it needs.
#[derive(Default)]
pub struct Routes {
    router: Router<App>,
    table: Vec<Route>,
}

impl Routes {
    /// A page or layer.
    pub fn get<H, T>(self, path: &'static str, right: Right, handler: H) -> Self
    where
        H: Handler<T, App>,
        T: 'static,
    {
        self.route(Method::GET, path, right, get(handler))
    }

    /// A form's target.
    pub fn post<H, T>(self, path: &'static str, right: Right, handler: H) -> Self
    where
        H: Handler<T, App>,
        T: 'static,
    {
        self.route(Method::POST, path, right, post(handler))
    }

    /// The router, and the table of what is in it.
    pub fn finish(self) -> (Router<App>, Vec<Route>) {
        (self.router, self.table)
    }

    fn route(mut self, method: Method, path: &'static str, right: Right, handler: MethodRouter<App>) -> Self {
        let checked = handler.route_layer(middleware::from_fn_with_state(right, check));
        self.router = self.router.route(path, checked);
        self.table.push(Route { method, path, right });
        self
    }
}

async fn check(
    State(right): State<Right>,
    who: Who,
    request: Request,
    next: Next,
) -> Result<Response, Error> {
    who.require(right)?;
    Ok(next.run(request).await)
}
