//! The deadlines the Fair Credit Reporting Act sets for a consumer reporting agency.

use crate::civil::plus_days;
use crate::{BusinessCalendar, CivilDate};

/// A statutory clock that runs towards a due day.
///
/// None runs for a dispute sent straight to a furnisher: one prepared by a credit repair
/// organization starts no deadline (15 USC 1681s-2(a)(8)(G)).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Clock {
    /// 30 days to reinvestigate, from the day the agency receives the dispute.
    Reinvestigation,
    /// 45 days in all, from the same day, when the client sends relevant information within the 30.
    ReinvestigationExtended,
    /// 45 days, from receipt, when the dispute follows the free annual report.
    FreeReportReinvestigation,
    /// 5 business days to send the results, from the day the reinvestigation is completed.
    ResultsNotice,
    /// 5 business days to say that a dispute is found frivolous or irrelevant, from that finding.
    FrivolousNotice,
    /// 5 business days to tell the client of a reinsertion, from the reinsertion.
    ReinsertionNotice,
    /// 15 days to describe the procedure used, from the client's request.
    ProcedureDescription,
    /// 4 business days to block what identity theft put there, from receipt of all four papers.
    TheftBlock,
    /// 5 business days to tell the client that such a block is declined or rescinded, from that decision.
    BlockNotice,
}

/// How long a clock runs.
enum Length {
    CalendarDays(u32),
    BusinessDays(u16),
}

impl Clock {
    /// All clocks.
    pub const ALL: [Self; 9] = [
        Self::Reinvestigation,
        Self::ReinvestigationExtended,
        Self::FreeReportReinvestigation,
        Self::ResultsNotice,
        Self::FrivolousNotice,
        Self::ReinsertionNotice,
        Self::ProcedureDescription,
        Self::TheftBlock,
        Self::BlockNotice,
    ];

    /// The stable code kept in records.
    pub fn as_code(self) -> &'static str {
        match self {
            Self::Reinvestigation => "reinvestigation",
            Self::ReinvestigationExtended => "reinvestigation_extended",
            Self::FreeReportReinvestigation => "free_report_reinvestigation",
            Self::ResultsNotice => "results_notice",
            Self::FrivolousNotice => "frivolous_notice",
            Self::ReinsertionNotice => "reinsertion_notice",
            Self::ProcedureDescription => "procedure_description",
            Self::TheftBlock => "theft_block",
            Self::BlockNotice => "block_notice",
        }
    }

    /// The clock of a code made by [`as_code`](Self::as_code); `None` for any other text.
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|clock| clock.as_code() == code)
    }

    /// The provision that sets the deadline.
    pub fn citation(self) -> &'static str {
        match self {
            Self::Reinvestigation => "15 USC 1681i(a)(1)(A)",
            Self::ReinvestigationExtended => "15 USC 1681i(a)(1)(B)",
            Self::FreeReportReinvestigation => "15 USC 1681j(a)(3)",
            Self::ResultsNotice => "15 USC 1681i(a)(6)",
            Self::FrivolousNotice => "15 USC 1681i(a)(3)(B)",
            Self::ReinsertionNotice => "15 USC 1681i(a)(5)(B)(ii)",
            Self::ProcedureDescription => "15 USC 1681i(a)(7)",
            Self::TheftBlock => "15 USC 1681c-2(a)",
            Self::BlockNotice => "15 USC 1681c-2(c)(2), 1681i(a)(5)(B)",
        }
    }

    /// One line for people: what is due, within how long, counted from what.
    pub fn describe(self) -> &'static str {
        match self {
            Self::Reinvestigation => {
                "reinvestigation of the dispute, within 30 days of the bureau receiving it"
            }
            Self::ReinvestigationExtended => {
                "reinvestigation extended by the client's further information, within 45 days of \
                 the bureau receiving the dispute"
            }
            Self::FreeReportReinvestigation => {
                "reinvestigation after the free annual report, within 45 days of the bureau \
                 receiving the dispute"
            }
            Self::ResultsNotice => {
                "written results, within 5 business days of the reinvestigation's completion"
            }
            Self::FrivolousNotice => {
                "notice that the dispute is found frivolous, within 5 business days of that finding"
            }
            Self::ReinsertionNotice => {
                "notice of a reinserted item, within 5 business days of the reinsertion"
            }
            Self::ProcedureDescription => {
                "description of the reinvestigation procedure, within 15 days of the request"
            }
            Self::TheftBlock => {
                "block of items from identity theft, within 4 business days of the bureau \
                 receiving the papers"
            }
            Self::BlockNotice => {
                "notice that a block of items from identity theft is declined or rescinded, within 5 \
                 business days of that decision"
            }
        }
    }

    /// The last day on which the duty is met in time, for a clock started on `start`; it is overdue
    /// from the next day.
    ///
    /// Calendar days count from the day after the start. A statutory "period beginning on the date"
    /// can be read one day shorter; the longer reading is used, so that a bureau is never called
    /// late too soon. Business days count from the day after the start on the calendar that ends
    /// latest ([`BusinessCalendar::latest_ending`]). A due day on a weekend or holiday is not moved:
    /// the Act has no such rule.
    pub fn due_on(self, start: CivilDate) -> CivilDate {
        match self.length() {
            Length::CalendarDays(days) => plus_days(start, days),
            Length::BusinessDays(days) => BusinessCalendar::latest_ending(start, days),
        }
    }

    fn length(self) -> Length {
        match self {
            Self::Reinvestigation => Length::CalendarDays(30),
            // 30 days and "not more than 15 additional days".
            Self::ReinvestigationExtended | Self::FreeReportReinvestigation => {
                Length::CalendarDays(45)
            }
            // A block's notice is given "in the same manner" as that of a reinsertion.
            Self::ResultsNotice
            | Self::FrivolousNotice
            | Self::ReinsertionNotice
            | Self::BlockNotice => Length::BusinessDays(5),
            Self::ProcedureDescription => Length::CalendarDays(15),
            Self::TheftBlock => Length::BusinessDays(4),
        }
    }
}
