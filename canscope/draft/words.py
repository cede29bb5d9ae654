"""What the words of a signal's name may mean: English, German, French, Spanish and abbreviations.

Common practice, no source. A word may mean several things; what else is known of the signal
decides between them.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from functools import cache

# Meaning -> words that say it. Words of two parts are looked up across a joint as well.
WORDS: Mapping[str, str] = {
    "voltage": "voltage volt volts vlt vltg spannung spg tension voltaje volta vdc ubat udc u",
    "current": "current curr cur crt amps ampere strom courant intensite corriente "
    "intensidad i ibat idc",
    "battery": "battery batteries batt bat pack pck accumulator accu akku batterie "
    "hochvoltbatterie traktionsbatterie traction traktion bateria acumulador "
    "paquete ess ress hvb bms ubat ibat gesamt total",
    "high": "hv ht at hochvolt haute alta highvoltage",
    "link": "link dclink dcbus busdc dc zwischenkreis zk zwk continu continua bus "
    "intermediate intermedio intermediaire capacitor kondensator udc",
    "low": "lv lowvoltage 12v 24v bordnetz bord bordo aux auxiliary auxiliaire auxiliar "
    "servitude supply versorgung alimentation alimentacion kl30 klemme30 t30 "
    "terminal30 vbat12 bordspannung hilfsspannung logic control ubn",
    "resistance": "resistance resistor widerstand resistencia ohm rs riso",
    "insulation": "insulation isolation iso isolements isolement aislamiento imd isolations "
    "riso insul",
    "contactor": "contactor contactors relay schuetz schutz hauptschuetz relais contacteur "
    "contacteurs rele relee ctr cntr ktr main k rly sch",
    "negative": "negative neg negativ negatif negativo minus moins menos hvneg",
    "positive": "positive pos positiv positif positivo plus mas hvpos",
    "precharge": "precharge pre prechg prech pchg vorlade vorladung vorladen precarga "
    "precharging vorladeschuetz",
    "command": "command cmd request req demand befehl anforderung soll sollwert commande "
    "demande orden mando pedido solicitud consigne consigna set ctl",
    "state": "state status closed feedback fb stat sts zustand zu geschlossen ist etat "
    "ferme retour estado cerrado aux rueckmeldung contactstate fbk",
    "ignition": "ignition ign key keyon zuendung zundung zuend klemme15 kl15 t15 terminal15 "
    "allumage contact cle encendido contacto llave schluessel",
    "brake": "brake brk brakes bremse brems bremspedal bremslicht frein freno frenos "
    "freinage stoplight stoplamp bls",
    "pressure": "pressure druck pression presion bar",
    "emergency": "emergency estop emergencystop notaus nothalt notstop urgence arreturgence "
    "emergencia paro killswitch kill emo eso emg",
    "accelerator": "accelerator accel throttle accelerateur acelerador fahrpedal gaspedal gas "
    "apps app fahrped acc thr tps pedalwert",
    "pedal": "pedal pedale pedalweg ped",
    "position": "position pos stellung posicion travel weg",
    "second": "2 b second zweite redundant redundante deux dos sub",
    "direction": "direction dir gear selector shifter prnd drnd richtung fahrtrichtung "
    "fahrstufe waehlhebel gang sens marche sentido marcha direccion "
    "vitesseengagee rapport levier palanca lever drivemode fnr schalthebel",
    "flow": "flow flowrate durchfluss fluss volumenstrom debit caudal flujo",
    "coolant": "coolant cooling kuehl kuehlmittel kuhlmittel kuehlwasser refroidissement "
    "refrigerante refrigeracion water wasser eau agua liquide",
    "speed": "speed spd rpm rev revs revolutions velocity drehzahl umdrehungen vitesse "
    "regime velocidad revoluciones regimen nmot n omega giro",
    "torque": "torque trq tq tor moment drehmoment mdm couple par torsion mmot nm mom",
    "motor": "motor mot engine emotor em machine moteur maschine rotor shaft welle antrieb "
    "drive mcu maquina edu",
    "inverter": "inverter inv umrichter wechselrichter onduleur inversor igbt heatsink "
    "kuehlkoerper powerstage mosfet leistungsteil controller sink pim junction "
    "endstufe",
    "winding": "winding wind stator wicklung bobinage bobinado estator coil spule "
    "enroulement devanado",
    "temperature": "temperature temp tmp temperatur tmot tinv temperatura t",
    "fault": "fault flt error err dtc fehler stoerung storung defaut erreur panne fallo "
    "falla averia alarm failure fehlercode",
    "counter": "counter cnt ctr alive rolling rc seq sequence zaehler zahler "
    "botschaftszaehler compteur contador lifecounter heartbeat bz msgcnt aliv",
    "checksum": "checksum crc crc8 chk chksum cs pruefsumme prufsumme suma somme cksum",
    "wheel": "wheel rad roue rueda whl raddrehzahl",
    "vehicle": "vehicle veh fahrzeug vehicule vehiculo car geschwindigkeit kmh gps ground",
    "limit": "limit lim max min maximum minimum avail available grenz grenze maximal "
    "minimal limite allowed avg mean mittel average moyen promedio maxi mini",
    "target": "target setpoint sp soll desired desire ref reference wanted consigne "
    "consigna objetivo demande demanded vorgabe",
    "cell": "cell zelle cellule celda module modul zell",
    "charger": "charger obc lade lader ladegeraet chargeur cargador charging dcdc",
    "fan": "fan pump luefter pumpe ventilateur pompe ventilador bomba",
    "ambient": "ambient outside umgebung aussen ambiante exterieur ambiente exterior cabin "
    "innenraum",
    "valid": "valid validity accuracy quality gueltig valide valido qf",
    "power": "power leistung puissance potencia kw",
    "front": "front frt vorn vorne vorder vorderachse avant delantero delantera fa va fwd "
    "eje1 axle1",
    "rear": "rear rr hinten hinter hinterachse arriere trasero trasera posterior ra ha axle2",
    "left": "left links gauche izquierdo izquierda lh",
    "right": "right rechts droite derecho derecha rh",
    "phase": "phase ph uvw rms id iq ud uq",
    "stop": "stop halt",
    "steering": "steering lenk lenkung direccionasistida volant volante eps",
}
# Labels of value tables.
LABELS: Mapping[str, str] = {
    "true": "closed on active pressed true yes ein an zu geschlossen betaetigt gedrueckt "
    "aktiv ja wahr ferme fermee marche appuye actif oui vrai cerrado cerrada "
    "encendido activo activa pisado pulsado si verdadero clsd engaged enabled "
    "applied 1",
    "false": "open off inactive released false no aus auf offen losgelassen unbetaetigt "
    "inaktiv nein falsch ouvert ouverte arret relache inactif non faux abierto "
    "abierta apagado inactivo suelto opn disengaged disabled notpressed none "
    "opened notactive 0",
    "forward": "forward forwards fwd f d drive vorwaerts vorwarts avant marcheavant adelante "
    "avance marchaadelante",
    "reverse": "reverse rev r backward backwards rueckwaerts ruckwarts arriere marchearriere "
    "atras reversa marchaatras retroceso",
    "neutral": "neutral n idle leerlauf neutre neutro pointmort puntomuerto",
    "ok": "ok none nofault no noerror normal healthy kein keine keinfehler iO aucun "
    "aucune ras ninguno ninguna sinfallo good",
}
PARTS = re.compile(r"[A-Z]+(?=[A-Z][a-z])|[A-Z]?[a-z]+|[A-Z]+|\d+")
EXACT, INSIDE, SHORTENED = 1.0, 0.9, 0.7
SHORTEST_INSIDE = 4  # letters of a word that is looked for inside a longer one
AMBIGUOUS = frozenset(("at", "as", "is", "no"))


def plain(text: str) -> str:
    """Letters without accents; German ones as they are written where there are none."""
    for letter, written in {"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss"}.items():
        text = text.replace(letter, written).replace(letter.upper(), written.capitalize())
    return unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()


def parts_of(name: str) -> list[str]:
    """The words of a name: parted at capitals, digits and punctuation, in small letters."""
    return [part.casefold() for part in PARTS.findall(plain(name))]


@cache
def meanings(name: str) -> Mapping[str, float]:
    """Meaning -> how surely a name has it, from 0 to 1."""
    parts = parts_of(name)
    found: dict[str, float] = {}

    def note(meaning: str, strength: float) -> None:
        found[meaning] = max(found.get(meaning, 0.0), strength)

    taken: set[int] = set()
    for length in (3, 2):
        for at in range(len(parts) - length + 1):
            for meaning in _EXACT.get("".join(parts[at : at + length]), ()):
                note(meaning, EXACT)
                taken |= set(range(at, at + length))
    for at, part in enumerate(parts):
        if at in taken:
            continue
        for meaning, strength in _of_part(part).items():
            # A letter says little; at the end of a name 2 or b tells a second one of its kind.
            if len(part) > 1 or meaning != "second" or at == len(parts) - 1:
                note(meaning, strength * (0.6 if len(part) == 1 and part.isalpha() else 1.0))
    return found


@cache
def _of_part(part: str) -> Mapping[str, float]:
    exact = _EXACT.get(part, ())
    if exact:
        return dict.fromkeys(exact, EXACT)
    if part.isdigit() or len(part) < 3:
        return {}
    inside: dict[str, float] = {}
    rest = part
    for word in _LONG:
        if word in rest:
            inside |= dict.fromkeys(_EXACT[word], INSIDE)
            rest = rest.replace(word, " ")
    if inside:
        left = rest.replace(" ", "")
        return inside if len(left) <= len(part) * 0.7 else dict.fromkeys(inside, 0.5)
    return {
        meaning: SHORTENED
        for word, own in _EXACT.items()
        if len(word) > len(part) and len(word) >= 5 and _shortens(part, word)
        for meaning in own
    }


def _shortens(part: str, word: str) -> bool:
    """Whether a part is how somebody might shorten a word: its beginning, or without its vowels."""
    if word.startswith(part):
        return True
    bare = word[0] + re.sub("[aeiou]", "", word[1:])
    if part == bare or (len(part) >= 3 and bare.startswith(part)):
        return True
    if len(part) < 4 or set("aeiou") & set(part[1:]) or (part[0], part[-1]) != (word[0], word[-1]):
        return False
    letters = iter(word)
    return all(letter in letters for letter in part)  # in their order, as in emcy


def labelled(text: str) -> str | None:
    """What a label of a value table says: a key of ``LABELS``, or None."""
    joined = "".join(parts_of(text))
    for kind, words in LABELS.items():
        if joined in words.casefold().split():
            return kind
    return None


def _index() -> dict[str, tuple[str, ...]]:
    found: dict[str, tuple[str, ...]] = {}
    for meaning, words in WORDS.items():
        for word in dict.fromkeys(words.split()):
            found[word] = (*found.get(word, ()), meaning)
    return {word: own for word, own in found.items() if word not in AMBIGUOUS}


_EXACT = _index()
_LONG = sorted((word for word in _EXACT if len(word) >= SHORTEST_INSIDE), key=len, reverse=True)
