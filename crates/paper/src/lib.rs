//! What leaves a firm on paper: invoices and statements of account for clients, and the package of a
//! closed month for the accountant. Pure: plain values in, bytes out.
