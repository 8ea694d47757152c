//! Which port each instrument of a bench is on today: names that survive replugging are looked up when a bench opens,
//! so that the bench file stays as its owner wrote it and the same file finds a cable under another number.

use std::path::{Path, PathBuf};
use std::time::Duration;

use wattproof_guardian::{Held, NotHeld, hold, wait_until_free};
use wattproof_instruments::{Dialect, Role, SessionSettings, ask_identity, identity_fits};
use wattproof_link::{Address, PortFound, SerialChoice, ports};

use crate::{BenchError, BenchFile, OpenLink};

/// How long the guardian of a daemon that died may still hold a port.
pub(crate) const GUARDIAN_WITHIN: Duration = Duration::from_secs(4);

/// The links of a bench, as far as they can be told without asking anybody, and the locks on their ports.
pub(crate) struct Links {
    found: Vec<(Role, Result<Address, String>)>,
    ports: Vec<PortFound>,
    /// What others must keep out of; None where nobody is to be kept out.
    held: Option<Vec<Held>>,
    /// Devices that have an instrument or the contactor on them.
    taken: Vec<PathBuf>,
    /// What this process does with the ports, for others.
    what_for: String,
}

/// Finds the port of one link outside of a bench and holds it against other daemons. What is found by asking is asked
/// for in the dialect's way, or as SCPI has it.
///
/// # Errors
/// A sentence: no such port or several, or another process holds it.
pub fn find_alone(
    link: &Address,
    dialect: Option<&Dialect>,
    what_for: &str,
) -> Result<(Address, Vec<Held>), String> {
    let what_for = what_for.to_string();
    let mut links =
        Links { found: Vec::new(), ports: ports(), held: Some(Vec::new()), taken: Vec::new(), what_for };
    let found = link.resolved(&links.ports).map_err(|error| error.to_string())?;
    if let Address::Asked { .. } = found {
        let session = dialect.map(|dialect| dialect.session.clone()).unwrap_or_default();
        let usual = dialect.map(|dialect| dialect.serial).unwrap_or_default();
        let opens: OpenLink = Box::new(wattproof_link::open);
        let found = links.ask(&found, &session, &usual, &opens)?;
        return Ok((found, links.into_held()));
    }
    let place = found.place();
    links.hold(std::iter::once(Path::new(&place)))?;
    wait_until_free(Path::new(&place), GUARDIAN_WITHIN)?;
    Ok((found, links.into_held()))
}

impl Links {
    /// Looks up every link that can be found without asking, and holds the ports against other daemons if `holding`.
    ///
    /// # Errors
    /// [`BenchError::Setup`]: two roles share a port, or another process holds one. A link that was not found is told
    /// by [`Links::find`], so that what is found can be switched off first.
    pub fn of(file: &BenchFile, holding: bool) -> Result<Links, BenchError> {
        let places = file.places();
        let listed = |link: &Address| matches!(link, Address::Usb { .. } | Address::Asked { .. });
        let ports = if places.iter().any(|(_, link)| listed(link)) { ports() } else { Vec::new() };
        let resolve = |(role, link): (Role, &Address)| {
            let found = link.resolved(&ports).map_err(|error| error.to_string());
            (role, found.and_then(|found| fit(role, found)))
        };
        let found: Vec<(Role, Result<Address, String>)> = places.into_iter().map(resolve).collect();
        let mut links = Links {
            found,
            ports,
            held: holding.then(Vec::new),
            taken: Vec::new(),
            what_for: format!("bench {:?}", file.name),
        };
        links.refuse_shared(file)?;
        if holding {
            let named = links.named().map(|(_, link)| PathBuf::from(link.place())).collect::<Vec<_>>();
            links.hold(named.iter().map(PathBuf::as_path)).map_err(|other| {
                BenchError::Setup(format!("the bench {:?} is in use: {other}", file.name))
            })?;
        }
        links.taken = links.named().map(|(_, link)| leads_to(link)).collect();
        links.taken.extend(file.contactor.as_ref().map(|contactor| device(Path::new(&contactor.port))));
        // A guardian whose daemon died sends OFF for a while: it must have its say before anything else is said.
        for (role, link) in links.named() {
            if matches!((role, link), (Role::Source | Role::Supply, Address::Serial { .. })) {
                wait_until_free(Path::new(&link.place()), GUARDIAN_WITHIN)
                    .map_err(|why| BenchError::Setup(format!("{role}: {why}")))?;
            }
        }
        Ok(links)
    }

    /// The port of a role; whoever is found by asking is asked for now.
    ///
    /// # Errors
    /// [`BenchError::Setup`], with the place in the bench file, what was found and what to write.
    pub fn find(
        &mut self,
        file: &BenchFile,
        role: Role,
        dialect: &Dialect,
        opens: &OpenLink,
    ) -> Result<Address, BenchError> {
        let found = self.found.iter().find(|(other, _)| *other == role).map(|(_, found)| found.clone());
        let found = found.unwrap_or_else(|| Err("it has no link: please report this".into()));
        let found = match found {
            Ok(asked @ Address::Asked { .. }) => self.ask(&asked, &dialect.session, &dialect.serial, opens),
            other => other,
        };
        found.map_err(|why| {
            BenchError::Setup(format!("bench file {}: [{role}] link: {why}", file.link_place(role)))
        })
    }

    /// The locks, for as long as the bench is open.
    pub fn into_held(self) -> Vec<Held> {
        self.held.unwrap_or_default()
    }

    /// Links whose port is known.
    fn named(&self) -> impl Iterator<Item = (Role, &Address)> {
        let known = self.found.iter().filter_map(|(role, found)| Some((*role, found.as_ref().ok()?)));
        known.filter(|(_, link)| !matches!(link, Address::Asked { .. }))
    }

    fn hold<'a>(&mut self, ports: impl Iterator<Item = &'a Path>) -> Result<(), String> {
        let Some(held) = &mut self.held else { return Ok(()) };
        held.push(hold(ports, &self.what_for).map_err(|other| other.to_string())?);
        Ok(())
    }

    /// Asks on every port that may be asked who is there.
    fn ask(
        &mut self,
        asked: &Address,
        session: &SessionSettings,
        usual: &SerialChoice,
        opens: &OpenLink,
    ) -> Result<Address, String> {
        let Address::Asked { identity, settings, .. } = asked else { return Ok(asked.clone()) };
        let may: Vec<String> = asked.may_ask(&self.ports);
        // Two names may lead to one device.
        let mut devices = self.taken.clone();
        let may = may.into_iter().filter(|path| {
            let device = device(Path::new(path));
            let fresh = !devices.contains(&device);
            devices.push(device);
            fresh
        });
        let (mut fitting, mut others) = (Vec::new(), Vec::new());
        for path in may {
            let address = Address::Serial { path: path.clone(), settings: *settings };
            match self.ask_one(&address.with_usual(usual), session, opens) {
                Ok((answer, lock)) if identity_fits(identity, &answer) => {
                    fitting.push((address, answer, lock))
                }
                Ok((answer, _)) => others.push(format!("{path} answers \"{answer}\"")),
                Err(why) => others.push(format!("{path}: {why}")),
            }
        }
        if fitting.len() > 1 {
            let all: Vec<String> =
                fitting.iter().map(|(at, who, _)| format!("{} answers \"{who}\"", at.place())).collect();
            return Err(format!(
                "{} instruments are \"{identity}\": {}; write more of the identity, such as the serial number",
                all.len(),
                all.join(", ")
            ));
        }
        let Some((address, answer, lock)) = fitting.pop() else {
            let found = if others.is_empty() {
                "no port that may be asked is there, or all have an instrument already".to_string()
            } else {
                format!("found {}", others.join("; "))
            };
            return Err(format!(
                "nobody that may be asked is \"{identity}\": {found}; switch it on, check cable, baud and dialect, \
                 or name its port in ask"
            ));
        };
        tracing::info!(link = address.place(), answer, "found by asking");
        if let (Some(held), Some(lock)) = (&mut self.held, lock) {
            held.push(lock);
        }
        self.taken.push(leads_to(&address));
        Ok(address)
    }

    /// Asks on one port, held meanwhile against other daemons.
    fn ask_one(
        &self,
        address: &Address,
        session: &SessionSettings,
        opens: &OpenLink,
    ) -> Result<(String, Option<Held>), String> {
        let path = address.place();
        let path = Path::new(&path);
        let lock = match &self.held {
            Some(_) => {
                let lock = hold(std::iter::once(path), &self.what_for).map_err(|why_not| match why_not {
                    NotHeld::ByAnother { holder, .. } => format!("held by {holder}"),
                    NotHeld::Planted { planted, .. } => planted.to_string(),
                })?;
                wait_until_free(path, GUARDIAN_WITHIN)?;
                Some(lock)
            }
            None => None,
        };
        let link = opens(address).map_err(|error| error.to_string())?;
        let answer = ask_identity(link, session).map_err(|error| error.text())?;
        Ok((answer, lock))
    }

    fn refuse_shared(&self, file: &BenchFile) -> Result<(), BenchError> {
        let links: Vec<(Role, &Address)> = self.named().collect();
        for (index, (role, link)) in links.iter().enumerate() {
            let device = leads_to(link);
            if let Some((other, _)) =
                links.iter().skip(index + 1).find(|(_, other)| leads_to(other) == device)
            {
                return Err(BenchError::Setup(format!(
                    "bench file {}: [{role}] and [{other}] have the same link {link}: give each instrument its own",
                    file.link_place(*role)
                )));
            }
            if let Some(contactor) = &file.contactor
                && leads_to(link) == self::device(Path::new(&contactor.port))
            {
                return Err(BenchError::Setup(format!(
                    "bench file {}: [contactor] port = \"{}\" is also the link of the {role}: give the contactor its own",
                    file.origin.place("contactor", "port"),
                    contactor.port
                )));
            }
        }
        Ok(())
    }
}

/// Refuses a link on which a role can't do what it must.
pub(crate) fn fit(role: Role, link: Address) -> Result<Address, String> {
    match (role, &link) {
        (Role::Source | Role::Supply, Address::UsbTmc { path }) => Err(format!(
            "{path} is a USB test-and-measurement device: while it keeps a question waiting the kernel's driver holds \
             back every message for up to 5 s, an OFF as well; use the serial or network port of the {role}"
        )),
        _ => Ok(link),
    }
}

/// The device itself, whatever name and line settings it is given.
fn leads_to(link: &Address) -> PathBuf {
    match link {
        Address::Serial { path, .. } | Address::UsbTmc { path } => device(Path::new(path)),
        other => other.place().into(),
    }
}

fn device(path: &Path) -> PathBuf {
    path.canonicalize().unwrap_or_else(|_| path.into())
}
