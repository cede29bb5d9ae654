"""Which raw codes mean "no value"? A policy for a bus or a role decides, or the labels themselves.

A policy is ``"j1939"``, ``"maximum"``, ``"none"``, a list of raw values, or None for the default:
``j1939`` in messages that their definition marks as J1939, and value-table labels that say so.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from unicodedata import combining, normalize

import numpy as np

from canscope.model.definition import Absent, SignalSpec
from canscope.model.errors import DefinitionError
from canscope.model.tables import Bools, Int64s

Policy = str | Sequence[int] | None
KINDS = ("j1939", "maximum", "none")

# Labels that say "no value" (common practice, no source), compared as whole labels after splitting
# words at capitals and punctuation, dropping accents, and a leading or trailing word of FILLERS.
NO_VALUE = frozenset(
    (
        *("not available", "unavailable", "notavailable", "n a", "na", "nan", "sna", "snv"),
        *("invalid", "not valid", "no value", "no data", "no signal", "signal not available"),
        *("no information", "not present", "data not available", "value not available"),
        # German
        *("nicht verfugbar", "nicht verfuegbar", "nicht vorhanden", "ungultig", "ungueltig"),
        *("kein wert", "keine daten", "kein signal", "signal nicht verfugbar"),
        *("signal nicht verfuegbar", "wert ungultig", "wert ungueltig", "signal ungultig"),
        *("signal ungueltig", "nicht gultig", "nicht gueltig", "n v"),
        # French
        *("non disponible", "indisponible", "invalide", "non valide", "pas de donnees"),
        *("aucune donnee", "pas de valeur", "aucune valeur", "pas de signal"),
        # Spanish, Portuguese
        *("no disponible", "invalido", "no valido", "sin datos", "sin valor", "sin senal"),
        *("nao disponivel", "indisponivel", "nao valido", "sem dados", "sem valor", "sem sinal"),
        # Italian, Dutch, Swedish
        *("non disponibile", "non valido", "nessun dato", "nessun valore", "nessun segnale"),
        *("niet beschikbaar", "ongeldig", "geen waarde", "geen gegevens", "geen data"),
        *("ej tillganglig", "inte tillganglig", "otillganglig", "ogiltig", "inget varde"),
        # Danish, Norwegian, Finnish, Polish, Czech
        *("ikke tilgaengelig", "ikke tilgjengelig", "ugyldig", "ingen data", "ei saatavilla"),
        *("niedostepny", "niedostepne", "niewazny", "brak danych", "nedostupny", "neplatny"),
        # Russian, Chinese, Japanese, Korean
        *("нет данных", "недоступно", "недоступен", "недеиствительно", "无效", "不可用", "无数据"),
        *("無効", "使用不可", "利用不可", "データなし", "無效", "사용 불가", "데이터 없음"),
    )
)
# These are often states of a machine ("error" after "running"), so they count only where J1939
# puts its error code: just below a code of NO_VALUE, or on top of a field of 8 bits and more; and
# below another of them that counts.
ERROR = frozenset(
    (
        *("error", "error indicator", "fault", "sensor error", "signal error", "failure"),
        *("init", "initializing", "initialising", "initialization", "initialisation"),
        *("not initialized", "not initialised", "uninitialized", "uninitialised"),
        *("fehler", "sensorfehler", "signalfehler", "initialisierung", "nicht initialisiert"),
        *("erreur", "defaut", "erreur capteur", "non initialise", "error de sensor", "fallo"),
        *("inicializacion", "inicializando", "erro", "falha", "inicializacao", "errore"),
        *("guasto", "inizializzazione", "fout", "initialisatie", "fel", "initiering"),
        *("unknown", "undefined", "unbekannt", "missing", "lost", "timeout", "time out", "void"),
        *("null", "reserved", "not used", "out of range"),
    )
)
LETTERS = str.maketrans({"æ": "ae", "Æ": "AE", "ø": "o", "Ø": "O", "ł": "l", "Ł": "L"})
FILLERS = frozenset(("signal", "value", "data", "sensor"))
ERROR_INDICATOR = 0xFE  # top byte: FE error, FF not available (J1939-71, from memory)


def absent_codes(policy: Policy, spec: SignalSpec, *, j1939: bool = False) -> Absent:
    """The codes of one signal that mean "no value" under a policy.

    ``j1939`` says that the signal's message is one by its definition; only the default asks. A
    one-bit signal is a state, in which every code is a value.

    Raises:
        DefinitionError: there is no such policy.
    """
    check_policy(policy)
    if spec.length_bits == 1:
        return Absent()
    if isinstance(policy, str):
        return Absent(policy)
    if policy is not None:
        return Absent("codes", tuple(policy))
    labelled = _labelled_codes(spec)
    if j1939:
        return Absent("j1939", labelled)
    return Absent("codes", labelled) if labelled else Absent()


def with_policy(spec: SignalSpec, policy: Policy) -> SignalSpec:
    """The same signal under a policy of its own; None leaves it as it is."""
    return spec if policy is None else replace(spec, absent=absent_codes(policy, spec))


def with_errors(spec: SignalSpec) -> SignalSpec:
    """The same signal with its codes for "error" as values: of a fault they are the answer."""
    absent = spec.absent
    codes = tuple(code for code in absent.codes if _plain(spec.labels.get(code, "")) not in ERROR)
    if absent.kind == "j1939":  # of whose two codes one is the error indicator
        return replace(spec, absent=Absent("codes", (*codes, largest(spec))))
    return replace(spec, absent=replace(absent, codes=codes))


def check_policy(policy: Policy) -> None:
    """Refuse what is no policy.

    Raises:
        DefinitionError: neither one of the words nor a list of integers.
    """
    if policy is None or (isinstance(policy, str) and policy in KINDS):
        return
    if not isinstance(policy, str) and all(type(code) is int for code in policy):
        return
    hint = "write j1939, maximum, none, or a list of raw values such as [254, 255]"
    raise DefinitionError(f"not_available cannot be {policy!r}", hint=hint)


def absent_rows(spec: SignalSpec, raw: Int64s) -> Bools | None:
    """Which raw codes mean "no value", a row a code; None where the signal has no such code."""
    absent, bits = spec.absent, spec.length_bits
    rows: Bools | None = None
    if absent.kind == "j1939" and not (spec.signed or spec.is_float):
        if bits == 2:
            rows = raw >= 2
        elif bits >= 8:
            rows = (raw.view(np.uint64) >> np.uint64(bits - 8)) >= ERROR_INDICATOR
    elif absent.kind == "maximum" and not spec.is_float:
        rows = raw == wrapped(largest(spec))
    if absent.codes:
        listed = np.isin(raw, np.array([wrapped(code) for code in absent.codes], np.int64))
        rows = listed if rows is None else rows | listed
    return rows


def largest(spec: SignalSpec) -> int:
    """The largest raw code of a signal."""
    return (1 << (spec.length_bits - 1 if spec.signed else spec.length_bits)) - 1


def wrapped(code: int) -> int:
    """A code as a Series holds it: the unsigned ones above 2**63 wrap."""
    return (code + 2**63) % 2**64 - 2**63


def _labelled_codes(spec: SignalSpec) -> tuple[int, ...]:
    plain = {code: _plain(label) for code, label in spec.labels.items()}
    no_value = {code for code, label in plain.items() if label in NO_VALUE}
    top = {largest(spec) - 1, largest(spec)} if spec.length_bits >= 8 else set()
    counted = set(no_value)
    for code in sorted((c for c, label in plain.items() if label in ERROR), reverse=True):
        if code in top or code + 1 in counted:
            counted.add(code)
    return tuple(sorted(counted))


def _plain(label: str) -> str:
    """A label in lower case words: ``Signal_NotAvailable`` is ``not available``."""
    bare = "".join(c for c in normalize("NFKD", label) if not combining(c)).translate(LETTERS)
    bare = normalize("NFC", bare)  # letters of Korean are put together again
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", bare)
    for text in (bare, spaced):  # NaN is one word
        words = re.findall(r"[^\W_]+", text.casefold())
        if " ".join(words) in ERROR | NO_VALUE:
            return " ".join(words)
    if len(words) > 1 and words[0] in FILLERS:
        words = words[1:]
    if len(words) > 1 and words[-1] in FILLERS:
        words = words[:-1]
    return " ".join(words)
