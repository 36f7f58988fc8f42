"""How a PostgreSQL server is reached: nothing is waited for without end, and every failure is one clear line."""

import time
from collections.abc import Generator
from typing import Any, Final, TypeVar, cast

from sqlalchemy import Connection, Engine, Table, create_engine, event, select
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, DisconnectionError, SQLAlchemyError

from reader.errors import LinecallError

CONNECT_S: Final = 10  # seconds to wait for a server to let us in
ANSWER_S: Final = 90.0  # for one answer, another writer's turn included; no statement takes a third of it
PING_S: Final = 5.0  # for a connection that was idle to answer, before another one is made
IDLE_S: Final = 25  # after which the server ends a writer silent in its turn; others wait longer for theirs
RETRY_S: Final = 0.5  # between two attempts to reach a server that went away

# libpq's own, in seconds but for the first, in ms: a network that swallows everything is noticed within half a minute
_NETWORK: Final = {
    "tcp_user_timeout": "20000",
    "keepalives_idle": "15",
    "keepalives_interval": "5",
    "keepalives_count": "3",
}
_SHOWN: Final = ("host", "service")  # of a URL's query; whatever else is there may be secret

Result = TypeVar("Result")


def engine_of(where: str, *, holds: str) -> tuple[str, Engine]:
    """Name to show, without a password, and engine of a URL; connects to nothing. Raises LinecallError."""
    try:
        url = make_url(where)
    except (ArgumentError, ValueError) as error:
        raise LinecallError(
            f"the {holds}'s URL cannot be understood; write postgresql://USER@HOST/NAME"
        ) from error
    if url.drivername not in {"postgresql", "postgresql+psycopg", "postgres"}:
        raise LinecallError(
            f"a {holds} is a file or a postgresql:// URL, not {url.drivername}://; for SQLite give a path"
        )
    url = url.set(drivername="postgresql+psycopg")
    url = url.update_query_dict({"connect_timeout": str(CONNECT_S), **_NETWORK, **url.query})
    name = _shown(url)
    try:
        engine = create_engine(url)
        connect = _patient_connect()
    except ImportError as error:
        raise LinecallError(
            f"{name}: psycopg is not installed; install it with pip install 'psycopg[binary]'"
        ) from error

    @event.listens_for(engine, "do_connect")
    def do_connect(_: Any, __: Any, arguments: tuple[Any, ...], named: dict[str, Any]) -> Any:
        return connect(*arguments, **named)

    @event.listens_for(engine, "checkout")
    def ping(connection: Any, _: Any, __: Any) -> None:
        """Let nobody have a connection that was lost while it was idle."""
        connection.patience_s = PING_S
        try:
            engine.dialect.do_ping(connection)
        except Exception as error:
            raise DisconnectionError(str(error)) from error
        connection.patience_s = ANSWER_S

    return name, engine


def _shown(url: URL) -> str:
    query = {name: value for name, value in url.query.items() if name in _SHOWN}
    return url.set(drivername="postgresql", query=query).render_as_string(hide_password=True)


def _patient_connect() -> Any:
    """What connects, and gives a connection up that does not answer: libpq waits for a living server without end."""
    import psycopg

    class Patient(psycopg.Connection[Any]):
        patience_s = ANSWER_S

        def wait(self, gen: Any, *arguments: Any, **named: Any) -> Any:
            return super().wait(self._until(gen, time.monotonic() + self.patience_s), *arguments, **named)

        def _until(
            self, waiting: Generator[Any, Any, Result], deadline: float
        ) -> Generator[Any, Any, Result]:
            try:
                wanted = next(waiting)
                while True:
                    ready = yield wanted
                    if not ready and time.monotonic() > deadline:
                        self.pgconn.finish()
                        raise psycopg.OperationalError(
                            f"the server has not answered for {self.patience_s:g} s"
                        )
                    wanted = waiting.send(ready)
            except StopIteration as end:
                return cast(Result, end.value)

    return Patient.connect


# --- turns --------------------------------------------------------------------------------------------------


def take_turn(connection: Connection, table: Table, *, timeout_s: float) -> None:
    """Wait, in a transaction, until no other writer is in one; the turn ends with the transaction.

    An advisory lock, which needs no right to change the table; it is the table's own, whatever schema that is in.
    """
    milliseconds = max(int(timeout_s * 1000), 1)
    name = f"'{table.name}'"
    connection.exec_driver_sql(
        f"SET LOCAL lock_timeout = {milliseconds}; "
        f"SET LOCAL statement_timeout = {int(ANSWER_S * 900)}; "  # before we give it up ourselves
        f"SET LOCAL idle_in_transaction_session_timeout = {IDLE_S * 1000}; "
        f"SELECT pg_advisory_xact_lock(hashtext({name}), ({name}::regclass::oid::bigint & 2147483647)::int)"
    )


def last_row(connection: Connection, table: Table) -> tuple[int, str] | None:
    """Number and hash of the row that was added last; None while there is none."""
    found = connection.execute(
        select(table.c.seq, table.c.hash).order_by(table.c.seq.desc()).limit(1)
    ).first()
    return None if found is None else (found.seq, found.hash)


def was_kept(engine: Engine, table: Table, row: tuple[int, str], *, timeout_s: float) -> bool | None:
    """Whether a row of a transaction is there whose end nobody heard of; None where no answer is to be had in time.

    Asked when it is our turn again: by then the server has done with that transaction, one way or the other.
    """
    deadline = time.monotonic() + timeout_s
    while True:
        try:
            with engine.connect().execution_options(isolation_level="READ COMMITTED") as connection:
                take_turn(connection, table, timeout_s=timeout_s)
                query = select(table.c.seq).where(table.c.seq == row[0], table.c.hash == row[1])
                return connection.execute(query).first() is not None
        except SQLAlchemyError:
            if time.monotonic() > deadline:
                return None
            time.sleep(RETRY_S)


# --- failures -----------------------------------------------------------------------------------------------

_LOST: Final = ("57P01", "57P02", "57P05", "25P03", "25P04", "08")
# SQLSTATEs, or the classes they begin with -> what is said
_FAILURES: Final = (
    (("55P03",), "another program has kept the {holds} locked for {seconds:g} s; try again"),
    (("57014",), "the server was stopped doing it ({found}); nothing was changed: try again"),
    (("25006",), "the {holds} can only be read here; nothing was changed"),
    (("42501",), "this user has no right to do that ({found}); nothing was changed: ask the {holds}'s owner"),
    (("53100",), "the disk is full, nothing was written; free some space and try again"),
    (("57P03", "53300"), "the server takes nobody in at the moment ({found}); try again in a minute"),
    (("23505",), "somebody else wrote at the same moment, so nothing was written; try again"),
    (("P0001",), "what a {holds} holds is never changed"),
    (("28", "3D"), "the server refuses the login or has no such database; check user, password and name"),
)


def is_lost(error: DBAPIError) -> bool:
    """Whether the connection is gone, rather than a statement refused."""
    return error.connection_invalidated or _state(error.orig).startswith(_LOST)


def sentence(error: BaseException, *, holds: str, timeout_s: float, lost: str) -> str:
    """What went wrong and what to do; lost : what became of what was under way, where the connection was lost."""
    cause = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
    found, state = str(cause).strip().partition("\n")[0][:200], _state(cause)
    if isinstance(error, DBAPIError) and is_lost(error):
        return f"the connection to the server was lost ({found}); {lost}"
    for states, said in _FAILURES:
        if state.startswith(states):
            return said.format(seconds=timeout_s, holds=holds, found=found)
    if not state and isinstance(error, DBAPIError):
        return f"the server cannot be reached ({found}); check the URL and that it runs"
    return f"the {holds} cannot be used ({found}); nothing was changed"


def _state(error: BaseException | None) -> str:
    return getattr(error, "sqlstate", None) or ""
