"""Units of work on the workers of a dask.distributed scheduler (extra `cluster`).

Scheduler and workers are trusted as code: what comes from them is unpickled. So it has to be on this machine, or behind
TLS with the certificates of dask's own configuration, or the caller says in plain words that the network is trusted.
"""

from __future__ import annotations

import ipaddress
import secrets
from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Any
from urllib.parse import urlsplit

from monitor.archive.engine.unit import Outcome, Unit, do_unit
from monitor.errors import WitnessError

AHEAD = 3
"""Units on their way for each thread of the workers; the rest wait here, so that workers that come later get theirs."""
FEWEST_AHEAD = 8
CONNECT_S = 15.0
SUSPECT = Outcome("fault", "", 2)
"""What came of a unit whose worker died while it had others, too: it is asked again, alone."""
GONE, MOST_GONE = ("lost", "pending"), 3
"""What becomes of a unit that was done and whose worker died before its answer was here; it is sent so often again."""
MOST_REFUSED = 20
"""Times that one unit is sent to yet another worker because the one before was of another version."""


def refuse_untrusted(address: str, *, plain: bool) -> None:
    """Raises `WitnessError` for a scheduler that should not be trusted as it is."""
    parts = urlsplit(address)
    if parts.scheme not in ("tcp", "tls") or not parts.hostname or not parts.port:
        raise WitnessError(f"--scheduler {address}: an address such as tls://scheduler:8786 is needed.")
    if parts.scheme == "tls" or plain or _is_this_machine(parts.hostname):
        return
    raise WitnessError(
        f"--scheduler {address}: whoever can reach a scheduler, or read its network, can run code here and see the "
        "answers. Use tls:// with the certificates in dask's configuration; or, if that network is yours alone, say "
        "--plain-network."
    )


def _is_this_machine(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def on_cluster(
    units: Iterable[tuple[int, Unit]], address: str, *, plain: bool = False
) -> Iterator[tuple[int, Outcome]]:
    """The outcomes by the units' numbers, as they come. What a lost worker had is done by another one; a record whose
    worker is lost while it has nothing else is at fault. Raises `WitnessError` where the scheduler cannot be had."""
    refuse_untrusted(address, plain=plain)
    try:
        from distributed import Client
    except ImportError as error:
        raise WitnessError("--scheduler needs: pip install 'trialwitness[cluster]'") from error
    try:
        client = Client(address, set_as_default=False, timeout=CONNECT_S, name="trialwitness")
    except (OSError, ValueError, TypeError) as error:  # TypeError: tls:// without certificates
        raise WitnessError(f"--scheduler {address} cannot be reached: {' '.join(str(error).split())}") from error
    try:
        yield from _Asking(client, address).outcomes(iter(units))
    except OSError as error:  # of its connection: what is wrong with a record never comes out here
        raise WitnessError(_lost(address, str(error))) from error
    finally:
        client.close(timeout=5.0)


def _lost(address: str, why: str) -> str:
    return f"--scheduler {address} is lost ({' '.join(why.split())}); what was kept with --keep is not done again."


class _Asking:
    def __init__(self, client: Any, address: str) -> None:
        self._client, self._address = client, address
        self._token = secrets.token_hex(6)
        self._under_way: dict[Any, tuple[int, Unit]] = {}
        self._tries: Counter[int] = Counter()
        self._refusing: set[str] = set()
        self._suspects: list[tuple[int, Unit]] = []
        """Units whose workers died: one of those that a worker had together is at fault, and nobody knows which."""
        self._alone: set[int] = set()

    def outcomes(self, rest: Iterator[tuple[int, Unit]]) -> Iterator[tuple[int, Outcome]]:
        from distributed import as_completed

        coming: Any = as_completed(loop=self._client.loop)
        try:
            while True:
                while len(self._under_way) < self._most_at_once():
                    asked = next(rest, None)
                    if asked is None:
                        break
                    coming.add(self._send(*asked))
                if not self._under_way:
                    if not self._suspects:
                        return
                    number, unit = self._suspects.pop(0)
                    self._alone.add(number)
                    coming.add(self._send(number, unit))
                future = next(coming)
                number, unit = self._under_way.pop(future)
                outcome = self._outcome_of(future, number)
                future.release()
                if outcome is SUSPECT:
                    self._suspects.append((number, unit))
                elif outcome is None:
                    coming.add(self._send(number, unit))
                else:
                    yield number, outcome
        finally:
            if self._client.status == "running":
                self._client.cancel(list(self._under_way))

    def _most_at_once(self) -> int:
        return max(AHEAD * sum(self._threads().values()), FEWEST_AHEAD)

    def _threads(self) -> dict[str, int]:
        """Threads of each worker by its address; none while the connection is being built again."""
        if self._client.status in ("closing", "closed"):
            raise WitnessError(_lost(self._address, "it does not answer"))
        return {} if self._client.scheduler is None else dict(self._client.nthreads())

    def _send(self, number: int, unit: Unit) -> Any:
        workers = None
        if self._refusing:
            threads = self._threads()
            workers = [one for one in threads if one not in self._refusing]
            if threads and not workers:
                raise WitnessError(
                    f"--scheduler {self._address}: every worker there has another version of this program, or of "
                    "numpy, than here; install the same ones."
                )
        key = f"trialwitness-{self._token}-{number}-{self._tries[number]}"
        future = self._client.submit(_do_and_tell, unit, key=key, pure=False, workers=workers)
        self._under_way[future] = number, unit
        return future

    def _outcome_of(self, future: Any, number: int) -> Outcome | None:
        """What came of a unit; None where it is to be sent again."""
        from distributed import KilledWorker

        self._tries[number] += 1
        if future.status == "finished":
            told, worker = future.result()
            outcome = Outcome(*told)
            if outcome.kind != "refused":
                return outcome
            self._refusing.add(worker)
            return None if self._tries[number] <= MOST_REFUSED else Outcome("fault", f'"{outcome.text}"', 2)
        is_gone = future.status in GONE
        if is_gone and self._tries[number] <= MOST_GONE:
            return None
        error = future.exception() if future.status == "error" else None
        if isinstance(error, KilledWorker) or is_gone:
            if number not in self._alone:
                return SUSPECT
            return Outcome("fault", '"its workers died while it was being judged"', 2)
        if isinstance(error, ImportError):
            raise WitnessError(
                f"--scheduler {self._address}: a worker cannot load this program ({error}); install the same version "
                "there."
            )
        raise WitnessError(_lost(self._address, str(error) if error is not None else f"its work was {future.status}"))


def _do_and_tell(unit: Unit) -> tuple[tuple[Any, ...], str]:
    """A unit's outcome as plain values, and the worker's address."""
    from distributed import get_worker

    return tuple(do_unit(Unit(*unit))), get_worker().address
