//! On which addresses the service is to be had, and by what.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::process::Stdio;
use std::sync::Arc;

use rustls::pki_types::ServerName;

use crate::running::{Scratch, garboard, refused, run, text};

#[test]
fn an_address_that_others_reach_needs_a_certificate_or_a_proxy() {
    let folder = Scratch::new();
    for address in ["0.0.0.0:0", "[::]:0"] {
        let output = run(&["serve", "--listen", address, "--data-dir", text(&folder.0)]);
        refused(&output, &["can be reached by others", "--tls-certificate", "--behind-proxy", "127.0.0.1"]);
    }
    assert!(!folder.0.exists(), "refused before anything was made");
}

#[test]
fn a_certificate_that_cannot_be_used_is_told_of_by_its_file() {
    let folder = Scratch::new();
    std::fs::create_dir(&folder.0).unwrap();
    let made = rcgen::generate_simple_self_signed(["127.0.0.1".to_owned()]).unwrap();
    let other = rcgen::generate_simple_self_signed(["127.0.0.1".to_owned()]).unwrap();
    let file = |name: &str, content: &str| {
        let path = folder.0.join(name);
        std::fs::write(&path, content).unwrap();
        text(&path).to_owned()
    };
    let (certificate, key) =
        (file("good.pem", &made.cert.pem()), file("key.pem", &made.signing_key.serialize_pem()));
    let (empty, garbage) = (
        file("empty.pem", ""),
        file("garbage.pem", "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n"),
    );
    let strange = file("strange.pem", &other.signing_key.serialize_pem());
    let data = folder.0.join("data");
    for (certificate, key, named) in [
        ("/nowhere.pem", key.as_str(), "/nowhere.pem"),
        (certificate.as_str(), "/nowhere.key", "/nowhere.key"),
        (empty.as_str(), key.as_str(), "empty.pem"),
        (garbage.as_str(), key.as_str(), "garbage.pem"),
        (certificate.as_str(), empty.as_str(), "empty.pem"),
        // The key of another certificate.
        (certificate.as_str(), strange.as_str(), "good.pem"),
    ] {
        let arguments = [
            "serve",
            "--listen",
            "127.0.0.1:0",
            "--data-dir",
            text(&data),
            "--tls-certificate",
            certificate,
            "--tls-key",
            key,
        ];
        refused(&run(&arguments), &[named, "cannot be used for TLS"]);
    }
    assert!(!data.exists(), "refused before anything was made");
    let alone = run(&["serve", "--tls-certificate", &certificate]);
    assert_eq!(alone.status.code(), Some(2), "the one without the other is no command line");
}

#[test]
fn tls_is_served_with_the_certificate_that_was_given() {
    let folder = Scratch::new();
    let keys = Scratch::new();
    std::fs::create_dir(&keys.0).unwrap();
    let made = rcgen::generate_simple_self_signed(["127.0.0.1".to_owned()]).unwrap();
    let (certificate, key) = (keys.0.join("certificate.pem"), keys.0.join("key.pem"));
    std::fs::write(&certificate, made.cert.pem()).unwrap();
    std::fs::write(&key, made.signing_key.serialize_pem()).unwrap();
    let mut child = garboard(&[
        "serve",
        "--listen",
        "127.0.0.1:0",
        "--data-dir",
        text(&folder.0),
        "--tls-certificate",
        text(&certificate),
        "--tls-key",
        text(&key),
    ])
    .stdout(Stdio::piped())
    .stderr(Stdio::null())
    .spawn()
    .unwrap();
    let announced = BufReader::new(child.stdout.take().unwrap()).lines().find_map(|line| {
        line.unwrap().strip_prefix("Serving on https://")?.split(',').next().map(str::to_owned)
    });
    let address: SocketAddr = announced.expect("it says https").parse().unwrap();

    // A client that trusts this certificate and no other.
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let trusting = |roots: rustls::RootCertStore| {
        rustls::ClientConfig::builder_with_provider(provider.clone())
            .with_safe_default_protocol_versions()
            .unwrap()
            .with_root_certificates(roots)
            .with_no_client_auth()
    };
    let ask = |roots: rustls::RootCertStore| -> std::io::Result<String> {
        let name = ServerName::try_from("127.0.0.1").unwrap();
        let connection = rustls::ClientConnection::new(Arc::new(trusting(roots)), name).unwrap();
        let mut stream = rustls::StreamOwned::new(connection, TcpStream::connect(address)?);
        stream.write_all(b"GET /health/ready HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n")?;
        let mut answer = Vec::new();
        // Who closes without saying so in TLS has said all it had to say.
        stream
            .read_to_end(&mut answer)
            .or_else(|cut| if answer_is_whole(&answer) { Ok(0) } else { Err(cut) })?;
        Ok(String::from_utf8_lossy(&answer).into_owned())
    };
    let mut roots = rustls::RootCertStore::empty();
    roots.add(made.cert.der().clone()).unwrap();
    let trusted = ask(roots);
    let untrusted = ask(rustls::RootCertStore::empty());
    let mut plain = TcpStream::connect(address).unwrap();
    plain.write_all(b"GET /health/ready HTTP/1.1\r\nHost: a\r\n\r\n").unwrap();
    let mut in_the_open = Vec::new();
    plain.read_to_end(&mut in_the_open).ok();
    let pid = rustix::process::Pid::from_child(&child);
    rustix::process::kill_process(pid, rustix::process::Signal::TERM).unwrap();
    assert!(child.wait().unwrap().success());

    let answer = trusted.unwrap();
    assert!(answer.starts_with("HTTP/1.1 200 "), "{answer}");
    // RFC 6797, 7.1.
    assert!(answer.to_ascii_lowercase().contains("strict-transport-security: max-age="), "{answer}");
    assert!(untrusted.is_err(), "a certificate that nobody vouches for");
    assert!(!String::from_utf8_lossy(&in_the_open).contains("HTTP/1.1 200"), "nothing in the open");
}

fn answer_is_whole(answer: &[u8]) -> bool {
    String::from_utf8_lossy(answer).contains("\r\n\r\n")
}
