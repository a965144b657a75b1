//! [`Assessment`](crate::assess::Assessment) -> timing chart, pages, terminal text, JSON.
