//! A firm with two clients, and an examiner who comes to look.

use std::sync::atomic::{AtomicU32, Ordering};

use api::v1;

use super::{Service, Wire, date, first_month, id, new_case};

pub struct Office {
    pub service: Service,
    pub firm: String,
    pub one: String,
    pub other: String,
    /// How many examiners have come.
    examiners: AtomicU32,
}

impl Office {
    pub async fn open() -> Self {
        let service = Service::start().await;
        let firm = service.firm().await;
        let (one, other) = (new_case(&firm), new_case(&firm));
        for (case, phone) in [(&one, "+12015550123"), (&other, "+12015550124")] {
            service.record(case, first_month(v1::Seat::Individual, phone, "tok")).await;
        }
        Self { service, firm, one, other, examiners: AtomicU32::default() }
    }

    /// Calls of an examiner, whose token is bound or not.
    pub async fn examiner(&self, bounds: Option<v1::TokenBounds>) -> Wire {
        let token = v1::Token {
            // Labels tell the tokens of a firm apart.
            label: format!("state examiner {}", self.examiners.fetch_add(1, Ordering::Relaxed) + 1),
            scopes: vec![v1::Scope::Examine.into()],
            expires_on: date(2026, 12, 31),
            bounds,
            ..v1::Token::default()
        };
        let request = v1::CreateTokenRequest {
            parent: self.firm.clone(),
            request_id: id(),
            occurred_on: date(2026, 3, 2),
            token: Some(token),
        };
        let made = self.service.administration().create_token(request).await.unwrap().into_inner();
        self.service.wire(Some(&made.secret)).await
    }
}
