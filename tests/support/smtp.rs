//! A mail server of ours for one letter after another (RFC 5321, section 4.1; the dialogue of appendix D.1).

use std::io::{BufRead, BufReader, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::mpsc::{Receiver, Sender, channel};

/// A server at an address of its own, and the letters it took.
pub struct Letterbox {
    pub url: String,
    pub letters: Receiver<Vec<String>>,
}

impl Letterbox {
    /// Takes letters, but those to recipients that begin with `refused`, which get 550 (RFC 5321, 4.2.3).
    pub fn open() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
        let url = format!("smtp://{}", listener.local_addr().expect("a bound address"));
        let (send, letters) = channel();
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                // A test that has ended takes no letters.
                if stream.map_or(true, |stream| serve(stream, &send).is_err()) {
                    break;
                }
            }
        });
        Self { url, letters }
    }
}

fn serve(mut stream: TcpStream, letters: &Sender<Vec<String>>) -> std::io::Result<()> {
    let mut lines = BufReader::new(stream.try_clone()?).lines();
    let mut say = |text: &str| stream.write_all(format!("{text}\r\n").as_bytes());
    say("220 letterbox.example ready")?;
    while let Some(line) = lines.next() {
        let line = line?;
        let verb: String = line.chars().take(4).collect::<String>().to_ascii_uppercase();
        match verb.as_str() {
            "EHLO" | "HELO" => say("250 letterbox.example")?,
            "RCPT" if line.contains("<refused") => say("550 no such mailbox here")?,
            "MAIL" | "RCPT" | "RSET" | "NOOP" => say("250 OK")?,
            "DATA" => {
                say("354 go ahead, end with a dot")?;
                let mut letter = Vec::new();
                for line in lines.by_ref() {
                    let line = line?;
                    if line == "." {
                        break;
                    }
                    letter.push(line);
                }
                if letters.send(letter).is_err() {
                    return Err(std::io::ErrorKind::BrokenPipe.into());
                }
                say("250 taken")?;
            }
            "QUIT" => {
                say("221 good bye")?;
                break;
            }
            _ => say("502 not known here")?,
        }
    }
    Ok(())
}
