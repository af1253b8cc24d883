//! The frames of one direction of an HTTP/2 connection as they pass by (RFC 9113, section 4.1): a
//! head of nine bytes, then a payload of the length that it says.

/// What a client sends before its first frame (RFC 9113, section 3.4).
const PREFACE: &[u8] = b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n";
const HEAD_BYTES: usize = 9;

/// Types of frames and their flags (RFC 9113, section 6).
pub(crate) const DATA: u8 = 0x0;
pub(crate) const HEADERS: u8 = 0x1;
pub(crate) const RST_STREAM: u8 = 0x3;
pub(crate) const WINDOW_UPDATE: u8 = 0x8;
pub(crate) const CONTINUATION: u8 = 0x9;
const END_STREAM: u8 = 0x1;
const END_HEADERS: u8 = 0x4;

/// The head of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Head {
    pub(crate) kind: u8,
    flags: u8,
    /// 0 is the connection itself.
    pub(crate) stream: u32,
}

impl Head {
    /// Whether its sender sends nothing more on its stream.
    pub(crate) fn ends_stream(self) -> bool {
        let last = [DATA, HEADERS].contains(&self.kind) && self.flags & END_STREAM != 0;
        last || self.kind == RST_STREAM
    }

    /// Whether it is part of the headers of a stream.
    pub(crate) fn is_of_headers(self) -> bool {
        [HEADERS, CONTINUATION].contains(&self.kind)
    }

    /// Whether headers go on in the next frame.
    pub(crate) fn goes_on(self) -> bool {
        self.is_of_headers() && self.flags & END_HEADERS == 0
    }

    /// Whether it carries neither content nor headers.
    pub(crate) fn is_control(self) -> bool {
        self.kind != DATA && !self.is_of_headers()
    }
}

/// Where in the frames of one direction the bytes have come to.
#[derive(Debug)]
pub(crate) struct Frames {
    /// What of the preface has not come.
    preface_left: &'static [u8],
    /// Whether something else came in its place.
    other: bool,
    bytes: [u8; HEAD_BYTES],
    have: usize,
    /// The frame whose payload is passing.
    head: Option<Head>,
    payload_left: usize,
}

impl Frames {
    /// What a client sends.
    pub(crate) fn of_client() -> Self {
        Self { preface_left: PREFACE, ..Self::of_server() }
    }

    /// What a server sends.
    pub(crate) fn of_server() -> Self {
        Self {
            preface_left: &[],
            other: false,
            bytes: [0; HEAD_BYTES],
            have: 0,
            head: None,
            payload_left: 0,
        }
    }

    /// Whether the client's preface has come.
    pub(crate) fn has_preface(&self) -> bool {
        self.preface_left.is_empty()
    }

    /// Whether the client speaks something else: what it sends has no frames.
    pub(crate) fn is_other(&self) -> bool {
        self.other
    }

    /// Whether the bytes end within a frame; in its head, nobody knows yet of which type.
    pub(crate) fn is_within(&self) -> bool {
        self.have > 0
    }

    /// Whether they end within the payload of a frame of content.
    pub(crate) fn is_within_data(&self) -> bool {
        self.head.is_some_and(|head| head.kind == DATA)
    }

    /// Takes the next bytes, and tells every frame of which the last byte was among them.
    pub(crate) fn pass(&mut self, mut bytes: &[u8], mut whole: impl FnMut(Head)) {
        let preface = self.preface_left.len().min(bytes.len());
        self.other |= self.preface_left[..preface] != bytes[..preface];
        if self.other {
            return;
        }
        self.preface_left = &self.preface_left[preface..];
        bytes = &bytes[preface..];
        while !bytes.is_empty() {
            if let Some(head) = self.head {
                let taken = self.payload_left.min(bytes.len());
                self.payload_left -= taken;
                bytes = &bytes[taken..];
                self.end_if_whole(head, &mut whole);
                continue;
            }
            let taken = (HEAD_BYTES - self.have).min(bytes.len());
            self.bytes[self.have..self.have + taken].copy_from_slice(&bytes[..taken]);
            self.have += taken;
            bytes = &bytes[taken..];
            if self.have == HEAD_BYTES {
                // RFC 9113 section 4.1: 24 bits of length, type, flags, one reserved bit, 31 of the stream's number.
                let [high, middle, low, kind, flags, stream @ ..] = self.bytes;
                let length = u32::from_be_bytes([0, high, middle, low]);
                self.payload_left = usize::try_from(length).unwrap_or(usize::MAX);
                let stream = u32::from_be_bytes(stream) & 0x7fff_ffff;
                let head = Head { kind, flags, stream };
                self.head = Some(head);
                self.end_if_whole(head, &mut whole);
            }
        }
    }

    fn end_if_whole(&mut self, head: Head, whole: &mut impl FnMut(Head)) {
        if self.payload_left == 0 {
            self.head = None;
            self.have = 0;
            whole(head);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A HEADERS frame without END_HEADERS, its CONTINUATION, and an empty DATA frame that ends the
    /// stream.
    const SENT: &[u8] = &[
        0, 0, 3, 1, 0, 0, 0, 0, 5, 7, 7, 7, 0, 0, 1, 9, 4, 0, 0, 0, 5, 7, 0, 0, 0, 0, 1, 0x80, 0,
        0, 5,
    ];

    #[test]
    fn frames_are_told_alike_however_their_bytes_are_cut() {
        let mut sent = b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n".to_vec();
        sent.extend(SENT);
        for cut in 1..sent.len() {
            let (mut frames, mut told) = (Frames::of_client(), Vec::new());
            for bytes in sent.chunks(cut) {
                frames.pass(bytes, |head| told.push(head));
            }
            let kinds: Vec<_> = told.iter().map(|head| (head.kind, head.stream)).collect();
            assert_eq!(kinds, [(HEADERS, 5), (CONTINUATION, 5), (DATA, 5)], "cut at {cut}");
            assert!(told[0].goes_on() && !told[1].goes_on());
            assert!(!told[1].ends_stream() && told[2].ends_stream());
            assert!(frames.has_preface() && !frames.is_within());
        }
    }

    #[test]
    fn another_protocol_is_known_by_its_first_bytes_however_they_are_cut() {
        let sent = b"POST /counterfoil.v1.CaseLedger/GetCase HTTP/1.1\r\n";
        for cut in 1..sent.len() {
            let mut frames = Frames::of_client();
            for bytes in sent.chunks(cut) {
                frames.pass(bytes, |head| panic!("{head:?}"));
            }
            assert!(frames.is_other() && !frames.has_preface(), "cut at {cut}");
        }
        let mut frames = Frames::of_client();
        frames.pass(b"P", |head| panic!("{head:?}"));
        assert!(!frames.is_other(), "both begin alike");
    }

    #[test]
    fn a_frame_that_is_not_whole_is_not_told() {
        let mut frames = Frames::of_server();
        frames.pass(&SENT[..11], |head| panic!("{head:?}"));
        assert!(frames.is_within() && !frames.is_within_data());
    }
}
