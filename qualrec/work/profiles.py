"""Import profiles as records: which one reads a file, storing a revision, giving it out as TOML."""

from __future__ import annotations

from pathlib import Path

from qualrec.assess.loading import Conn
from qualrec.errors import Refused, UnknownRecord, UsageError
from qualrec.intake.profile_text import from_toml, to_toml
from qualrec.intake.profiles import BUILT_IN, Profile, choose_profile
from qualrec.records import lookups
from qualrec.records.ledger import Writer
from qualrec.work.rights import require
from qualrec.work.session import Session


def known_profiles(conn: Conn, plant_id: int) -> tuple[Profile, ...]:
    """The newest stored revision of each profile, and the built-in ones whose names are not stored; by name.

    A plant keeps reading as it did: a stored profile wins over the built-in one of its name.
    """
    held = {p.name: p for p in BUILT_IN}
    held.update({s.name: from_toml(s.content) for s in lookups.import_profiles(conn, plant_id)})
    return tuple(sorted(held.values(), key=lambda p: p.name))


def find_profile(conn: Conn, plant_id: int, path: Path, wanted: str | None) -> Profile:
    """The profile for a file: by name, by the path of a .toml file, or by the heads of the file.

    Raises UnknownRecord for a name, UsageError for a .toml file that is no profile and where none or several fit.
    """
    known = known_profiles(conn, plant_id)
    if wanted is None:
        return choose_profile(path, known)
    for profile in known:
        if profile.name == wanted:
            return profile
    if wanted.casefold().endswith(".toml"):
        return read_profile(Path(wanted))
    names = ", ".join(p.name for p in known)
    raise UnknownRecord(
        f"There is no import profile {wanted!r}.", f"Known: {names}. Or give the path of a .toml file."
    )


def read_profile(path: Path) -> Profile:
    """The profile in a TOML file."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise UsageError(f"{path} cannot be read: {error.strerror}.", "Check the path.") from error
    except UnicodeDecodeError as error:
        raise UsageError(f"{path.name} is not UTF-8.", "Save it as UTF-8.") from error
    return from_toml(text)


def keep_profile(writer: Writer, profile: Profile) -> int:
    """Id of the stored revision that says exactly this; stored now where it is new.

    Raises Refused where the revision number is stored with another content, or where the person may not define profiles. A
    built-in profile is stored at its first use by anybody.
    """
    rows = [s for s in lookups.import_profiles(writer.conn, writer.plant_id) if s.name == profile.name]
    for row in rows:
        if row.revision == profile.revision:
            if from_toml(row.content) == profile:
                return row.id
            raise Refused(
                f"Revision {profile.revision} of profile {profile.name!r} is stored with another content.",
                "Raise 'revision' in the profile.",
            )
    if rows and profile.revision < rows[-1].revision:
        raise Refused(
            f"Profile {profile.name!r} is at revision {rows[-1].revision} already.",
            "Raise 'revision' in the profile above it.",
        )
    if profile not in BUILT_IN:
        require(writer.actor, "define master data")
    row_of = {
        "name": profile.name,
        "revision": profile.revision,
        "content": to_toml(profile),
        "created_us": writer.now_us,
        "person_id": writer.actor.person_id,
    }
    return writer.insert("import_profile", row_of, act="import profile stored")


def save_profile(session: Session, path: Path) -> str:
    """Store a profile from a TOML file as a record; says what was stored."""
    require(session.actor, "define master data")
    profile = read_profile(path)
    with session.store.write(session.actor, session.plant.id) as writer:
        keep_profile(writer, profile)
    return f"Import profile {profile.name!r} is stored, revision {profile.revision}."


def profile_text(session: Session, name: str) -> str:
    """A profile as TOML, to be kept or changed. Raises UnknownRecord."""
    with session.store.read() as conn:
        for profile in known_profiles(conn, session.plant.id):
            if profile.name == name:
                return to_toml(profile)
    raise UnknownRecord(f"There is no import profile {name!r}.", "See the list of profiles.")
