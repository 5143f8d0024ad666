"""The configuration of a service: one TOML file, every key checked, errors that name the key."""

from __future__ import annotations

import os
import tomllib
from ipaddress import ip_address
from pathlib import Path
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator
from pydantic_core import ErrorDetails

from adapters.mqtt import BrokerAddress
from adapters.rule_files import DEFAULT_RULES
from adapters.rule_policy import Policy
from rules.reading import nearest


class ConfigError(ValueError):
    """A configuration that cannot be used; the text names file, key and fix."""


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ServiceSection(_Section):
    """`[service]`: the name of this instance on the wire; letters, digits, `.`, `_`, `-`."""

    instance: Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]{1,64}$")] = "tidewarden"


class BrokerSection(_Section):
    """`[broker]`: where it is, who we are there. The password comes from the environment."""

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    client_id: Annotated[str, Field(min_length=1, max_length=64)] = "tidewarden"
    username: str | None = None
    password_env: str | None = None
    ca_file: Path | None = None

    @model_validator(mode="after")
    def _password_needs_username(self) -> Self:
        if self.password_env is not None and self.username is None:
            raise ValueError("password_env is given without username")
        return self


class StoreSection(_Section):
    """`[store]`: the folder that holds the store; made when it is not there."""

    directory: Path = Path("tidewarden-store")


class RulesSection(_Section):
    """`[rules]`: NAME@VERSION of the library, or a folder; which engine evaluates them.

    What is active in the store goes before `use`. With `two_persons` the author of a rule set may
    not be the one who activates it, and one whose scenarios fail is not released, unless
    `allow_override` lets a reason be given instead.
    """

    use: str = DEFAULT_RULES
    engine: Annotated[str, Field(pattern="^(auto|durable|plain)$")] = "auto"
    two_persons: bool = True
    allow_override: bool = False

    def policy(self) -> Policy:
        """Who may activate."""
        return Policy(self.two_persons, self.allow_override)


class PlacesSection(_Section):
    """`[places]`: the only places accepted, as WARD/PLACE; without it any place is."""

    accept: list[Annotated[str, Field(pattern=r"^[\w.~-]{1,64}/[\w.~-]{1,64}$")]] | None = None


class PagesSection(_Section):
    """`[pages]`: where browsers find them, and who may use them.

    `people` is the file written by `tidewarden people`. Without it everybody on this machine, and
    nobody else, sees the pages and can ask nothing; or, with `everyone`, asks under that name.
    Who does nothing for `session_minutes` has to log in again. `https` says that browsers come
    through a proxy that speaks HTTPS with them. `reports` is a folder whose HTML files the pages
    list and show. `texts` is a translation of all words of the pages.
    """

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 8383
    people: Path | None = None
    everyone: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,39}$")] | None = None
    session_minutes: Annotated[float, Field(gt=0.0, le=1440.0)] = 30.0
    https: bool = False
    reports: Path | None = None
    texts: Path | None = None

    @model_validator(mode="after")
    def _others_log_in(self) -> Self:
        if self.people is not None and self.everyone is not None:
            raise ValueError("everyone: give either this or people, not both")
        if self.people is None and not _is_this_machine(self.host):
            raise ValueError(
                f"host: at {self.host} others can reach the pages; say in people who may use them"
            )
        return self


def _is_this_machine(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


class Config(_Section):
    """The whole file. Every section may be left out."""

    service: ServiceSection = ServiceSection()
    broker: BrokerSection = BrokerSection()
    store: StoreSection = StoreSection()
    rules: RulesSection = RulesSection()
    places: PlacesSection = PlacesSection()
    pages: PagesSection = PagesSection()

    def broker_address(self) -> BrokerAddress:
        """The broker's address, with the password read from the environment."""
        broker = self.broker
        password = None
        if broker.password_env is not None:
            password = os.environ.get(broker.password_env)
            if password is None:
                raise ConfigError(
                    f"broker.password_env: environment variable {broker.password_env} is not set"
                )
        return BrokerAddress(
            broker.host, broker.port, broker.client_id, broker.username, password, broker.ca_file
        )


def read_config(path: Path) -> Config:
    """The configuration in `path`; ConfigError says what to mend."""
    try:
        return Config.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError:
        raise ConfigError(f"{path}: no such file") from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise ConfigError(f"{path}: cannot be read: {error}") from None
    except ValidationError as error:
        problems = "; ".join(_words(problem) for problem in error.errors(include_url=False))
        raise ConfigError(f"{path}: {problems}") from None


def _words(problem: ErrorDetails) -> str:
    """Which key, what is wrong with it, and for one that is not known which may be meant."""
    place = [str(part) for part in problem["loc"]]
    if problem["type"] == "extra_forbidden":
        section = getattr(Config(), place[0]) if len(place) > 1 else Config()
        said = f"not a key here{nearest(place[-1], type(section).model_fields)}"
    else:
        said = problem["msg"].removeprefix("Value error, ")
    return f"{'.'.join(place)}: {said}"
