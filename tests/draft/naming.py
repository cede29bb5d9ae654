"""Naming habits of people who write definition files, in five languages' worth of words.

Written from the languages, before the matcher and without looking at its words. The names of the
simulator's signals and messages are replaced by what somebody else might have called them. Nothing
is published about how workshops name signals: common practice, no source.
"""

from __future__ import annotations

import re

HABITS = ("english", "abbreviated", "german", "french", "spanish", "numbered")

# Signal of the simulator -> language -> what it may be called. A space parts the words.
SIGNALS = {
    "PackVoltage": {
        "english": ("pack voltage", "battery voltage", "hv battery voltage", "total voltage"),
        "german": ("batteriespannung", "spannung hv batterie", "akku spannung", "gesamtspannung"),
        "french": ("tension batterie", "tension pack", "tension batterie traction"),
        "spanish": ("tension bateria", "voltaje bateria", "voltaje paquete"),
    },
    "PackCurrent": {
        "english": ("pack current", "battery current", "hv current", "bms current"),
        "german": ("batteriestrom", "strom hv batterie", "akku strom", "gesamtstrom"),
        "french": ("courant batterie", "courant pack", "intensite batterie"),
        "spanish": ("corriente bateria", "corriente paquete", "intensidad bateria"),
    },
    "Resistance": {
        "english": ("insulation resistance", "isolation resistance", "iso resistance"),
        "german": ("isolationswiderstand", "iso widerstand", "widerstand isolation"),
        "french": ("resistance isolement", "isolement hv", "res isolement"),
        "spanish": ("resistencia aislamiento", "aislamiento hv", "aislamiento resistencia"),
    },
    "NegativeClosed": {
        "english": ("negative contactor closed", "main negative state", "contactor neg feedback"),
        "german": ("schuetz minus geschlossen", "hauptschuetz negativ zu", "schuetz neg status"),
        "french": ("contacteur negatif ferme", "etat contacteur moins", "relais negatif etat"),
        "spanish": ("contactor negativo cerrado", "estado contactor negativo", "rele neg estado"),
    },
    "PrechargeClosed": {
        "english": ("precharge contactor closed", "pre charge state", "precharge relay feedback"),
        "german": ("vorladeschuetz geschlossen", "vorladung zu", "schuetz vorladen status"),
        "french": ("contacteur precharge ferme", "etat precharge", "relais precharge etat"),
        "spanish": ("contactor precarga cerrado", "estado precarga", "rele precarga estado"),
    },
    "PositiveClosed": {
        "english": ("positive contactor closed", "main positive state", "contactor pos feedback"),
        "german": ("schuetz plus geschlossen", "hauptschuetz positiv zu", "schuetz pos status"),
        "french": ("contacteur positif ferme", "etat contacteur plus", "relais positif etat"),
        "spanish": ("contactor positivo cerrado", "estado contactor positivo", "rele pos estado"),
    },
    "NegativeCommand": {
        "english": ("negative contactor command", "main negative request", "contactor neg cmd"),
        "german": ("schuetz minus befehl", "hauptschuetz negativ soll", "schuetz neg anforderung"),
        "french": ("contacteur negatif commande", "commande contacteur moins"),
        "spanish": ("contactor negativo orden", "orden contactor negativo", "rele neg mando"),
    },
    "PrechargeCommand": {
        "english": ("precharge contactor command", "pre charge request", "precharge relay cmd"),
        "german": ("vorladeschuetz befehl", "vorladung soll", "schuetz vorladen anforderung"),
        "french": ("contacteur precharge commande", "commande precharge"),
        "spanish": ("contactor precarga orden", "orden precarga", "rele precarga mando"),
    },
    "PositiveCommand": {
        "english": ("positive contactor command", "main positive request", "contactor pos cmd"),
        "german": ("schuetz plus befehl", "hauptschuetz positiv soll", "schuetz pos anforderung"),
        "french": ("contacteur positif commande", "commande contacteur plus"),
        "spanish": ("contactor positivo orden", "orden contactor positivo", "rele pos mando"),
    },
    "ControlVoltage": {
        "english": ("supply voltage", "low voltage battery", "aux voltage", "terminal 30 voltage"),
        "german": ("bordnetzspannung", "spannung 12 v", "klemme 30 spannung", "bordspannung"),
        "french": ("tension 12 v", "tension reseau de bord", "tension servitude"),
        "spanish": ("tension 12 v", "voltaje auxiliar", "tension red de a bordo"),
    },
    "Ignition": {
        "english": ("ignition", "ignition on", "key switch", "key on"),
        "german": ("zuendung", "zuendung ein", "klemme 15", "zuendschluessel"),
        "french": ("contact", "allumage", "cle contact", "apres contact"),
        "spanish": ("encendido", "contacto", "llave contacto"),
    },
    "BrakePressed": {
        "english": ("brake pressed", "brake switch", "brake pedal active", "stop light switch"),
        "german": ("bremse betaetigt", "bremspedal", "bremslichtschalter", "bremse gedrueckt"),
        "french": ("frein appuye", "pedale frein", "contacteur frein", "frein actif"),
        "spanish": ("freno pisado", "pedal freno", "interruptor freno", "freno activo"),
    },
    "EmergencyStop": {
        "english": ("emergency stop", "emergency off", "e stop pressed", "kill switch"),
        "german": ("notaus", "not halt", "notaus betaetigt", "not aus taster"),
        "french": ("arret urgence", "arret d urgence", "bouton urgence"),
        "spanish": ("parada emergencia", "paro emergencia", "seta emergencia"),
    },
    "Direction": {
        "english": ("drive direction", "gear selector", "direction request", "shift lever"),
        "german": ("fahrtrichtung", "fahrstufe", "waehlhebel", "richtung wahl"),
        "french": ("sens de marche", "selecteur marche", "direction demandee", "levier vitesse"),
        "spanish": ("sentido de marcha", "selector marcha", "direccion pedida", "palanca cambio"),
    },
    "Pedal": {
        "english": ("accelerator pedal", "accel position", "throttle", "pedal position"),
        "german": ("fahrpedal", "gaspedal", "fahrpedalstellung", "pedalwert"),
        "french": ("pedale accelerateur", "accelerateur", "position accelerateur"),
        "spanish": ("pedal acelerador", "acelerador", "posicion acelerador"),
    },
    "Pedal2": {
        "english": ("accelerator pedal 2", "accel position 2", "throttle b", "pedal position 2"),
        "german": ("fahrpedal 2", "gaspedal 2", "fahrpedalstellung 2", "pedalwert redundant"),
        "french": ("pedale accelerateur 2", "accelerateur 2", "position accelerateur redondant"),
        "spanish": ("pedal acelerador 2", "acelerador 2", "posicion acelerador redundante"),
    },
    "Flow": {
        "english": ("coolant flow", "flow rate", "cooling flow"),
        "german": ("kuehlmittelfluss", "durchfluss", "kuehlwasser durchfluss"),
        "french": ("debit liquide", "debit refroidissement"),
        "spanish": ("caudal refrigerante", "flujo refrigeracion"),
    },
    "MotorSpeed": {
        "english": ("motor speed", "rotor speed", "actual speed", "shaft rpm"),
        "german": ("motordrehzahl", "drehzahl", "ist drehzahl", "rotordrehzahl"),
        "french": ("vitesse moteur", "regime moteur", "vitesse rotor", "regime"),
        "spanish": ("velocidad motor", "regimen motor", "revoluciones", "velocidad rotor"),
    },
    "Torque": {
        "english": ("torque", "motor torque", "actual torque", "shaft torque"),
        "german": ("drehmoment", "moment ist", "motormoment", "ist drehmoment"),
        "french": ("couple", "couple moteur", "couple reel"),
        "spanish": ("par", "par motor", "par real", "torque motor"),
    },
    "LinkVoltage": {
        "english": ("dc link voltage", "dc bus voltage", "inverter input voltage", "link voltage"),
        "german": ("zwischenkreisspannung", "zk spannung", "spannung zwischenkreis"),
        "french": ("tension bus continu", "tension bus dc", "tension onduleur"),
        "spanish": ("tension bus continua", "voltaje bus dc", "tension inversor"),
    },
    "InverterTemp": {
        "english": ("inverter temperature", "igbt temperature", "heatsink temperature"),
        "german": ("umrichtertemperatur", "temperatur inverter", "kuehlkoerpertemperatur"),
        "french": ("temperature onduleur", "temp onduleur"),
        "spanish": ("temperatura inversor", "temp inversor"),
    },
    "WindingTemp": {
        "english": ("winding temperature", "stator temperature", "motor temperature"),
        "german": ("wicklungstemperatur", "statortemperatur", "motortemperatur"),
        "french": ("temperature bobinage", "temperature stator", "temperature moteur"),
        "spanish": ("temperatura bobinado", "temperatura estator", "temperatura motor"),
    },
    "Fault": {
        "english": ("fault code", "error", "error code", "fault status"),
        "german": ("fehler", "fehlercode", "stoerung"),
        "french": ("defaut", "code defaut", "code erreur"),
        "spanish": ("fallo", "codigo fallo", "codigo error"),
    },
    "Alive": {
        "english": ("alive", "rolling counter", "message counter", "alive counter"),
        "german": ("botschaftszaehler", "zaehler", "lebenszaehler"),
        "french": ("compteur", "compteur message", "compteur vie"),
        "spanish": ("contador", "contador mensaje", "contador vida"),
    },
    "Checksum": {
        "english": ("checksum", "crc", "crc8"),
        "german": ("pruefsumme", "crc", "checksumme"),
        "french": ("somme de controle", "crc", "controle crc"),
        "spanish": ("suma de control", "crc", "suma verificacion"),
    },
}
MESSAGES = {
    "PackStatus": {
        "english": ("battery status", "bms 1", "pack data"),
        "german": ("batterie status", "bms 1", "hv batterie"),
        "french": ("etat batterie", "bms 1", "pack donnees"),
        "spanish": ("estado bateria", "bms 1", "datos paquete"),
    },
    "Insulation": {
        "english": ("insulation monitor", "imd"),
        "german": ("isolationswaechter", "iso"),
        "french": ("controle isolement", "cpi"),
        "spanish": ("vigilante aislamiento", "imd"),
    },
    "ContactorBox": {
        "english": ("contactor box", "junction box", "bdu status"),
        "german": ("schuetzkasten", "hv box", "bdu status"),
        "french": ("boite contacteurs", "boitier hv"),
        "spanish": ("caja contactores", "caja hv"),
    },
    "Supply": {
        "english": ("body supply", "low voltage", "dcdc"),
        "german": ("bordnetz", "versorgung", "dcdc"),
        "french": ("reseau de bord", "alimentation"),
        "spanish": ("red de a bordo", "alimentacion"),
    },
    "Cabin": {
        "english": ("driver inputs", "cabin", "vcu 1"),
        "german": ("fahrer eingaben", "fahrgastraum", "vcu 1"),
        "french": ("commandes conducteur", "habitacle"),
        "spanish": ("mandos conductor", "habitaculo"),
    },
    "Cooling": {
        "english": ("cooling",),
        "german": ("kuehlung",),
        "french": ("refroidissement",),
        "spanish": ("refrigeracion",),
    },
    "UnitFast": {
        "english": ("drive fast", "mcu 1", "inverter status"),
        "german": ("antrieb schnell", "umrichter 1", "emotor"),
        "french": ("moteur rapide", "onduleur 1"),
        "spanish": ("motor rapido", "inversor 1"),
    },
    "UnitSlow": {
        "english": ("drive slow", "mcu 2", "inverter temps"),
        "german": ("antrieb langsam", "umrichter 2", "temperaturen"),
        "french": ("moteur lent", "onduleur 2"),
        "spanish": ("motor lento", "inversor 2"),
    },
}
# What else such buses carry and no role is: signals that look like one of them.
SIGNALS |= {
    "TorqueRequest": {
        "english": ("torque request", "torque demand", "target torque"),
        "german": ("drehmoment soll", "sollmoment", "moment anforderung"),
        "french": ("couple demande", "consigne couple"),
        "spanish": ("par solicitado", "consigna par"),
    },
    "TorqueLimit": {
        "english": ("max torque", "torque limit", "available torque"),
        "german": ("maximalmoment", "drehmoment grenze", "moment max"),
        "french": ("couple max", "limite couple"),
        "spanish": ("par maximo", "limite par"),
    },
    "SpeedTarget": {
        "english": ("speed setpoint", "target speed", "speed request"),
        "german": ("solldrehzahl", "drehzahl soll", "drehzahl vorgabe"),
        "french": ("consigne vitesse", "vitesse demandee"),
        "spanish": ("consigna velocidad", "velocidad objetivo"),
    },
    "CurrentLimit": {
        "english": ("discharge current limit", "max discharge current"),
        "german": ("entladestrom grenze", "max entladestrom"),
        "french": ("courant max decharge", "limite courant"),
        "spanish": ("corriente max descarga", "limite corriente"),
    },
    "CellVoltage": {
        "english": ("max cell voltage", "cell voltage high"),
        "german": ("zellspannung max", "max zellenspannung"),
        "french": ("tension cellule max",),
        "spanish": ("tension celda max",),
    },
    "BatteryTemp": {
        "english": ("battery temperature", "pack temperature"),
        "german": ("batterietemperatur",),
        "french": ("temperature batterie",),
        "spanish": ("temperatura bateria",),
    },
    "ParkingBrake": {
        "english": ("parking brake", "handbrake"),
        "german": ("feststellbremse", "handbremse"),
        "french": ("frein de stationnement", "frein a main"),
        "spanish": ("freno de mano", "freno estacionamiento"),
    },
    "Door": {
        "english": ("driver door", "door open"),
        "german": ("fahrertuer", "tuer offen"),
        "french": ("porte conducteur",),
        "spanish": ("puerta conductor",),
    },
}
MESSAGES |= {
    "UnitExtra": {
        "english": ("drive targets", "mcu 3"),
        "german": ("antrieb vorgaben", "umrichter 3"),
        "french": ("moteur consignes", "onduleur 3"),
        "spanish": ("motor consignas", "inversor 3"),
    },
    "VehicleExtra": {
        "english": ("body", "bms 2"),
        "german": ("karosserie", "bms 2"),
        "french": ("carrosserie", "bms 2"),
        "spanish": ("carroceria", "bms 2"),
    },
}
# State of the simulator's codes -> label, for those who write value tables.
LABELS = {
    "english": {"closed": ("open", "closed"), "on": ("off", "on"),
                "pressed": ("released", "pressed"),
                "way": ("neutral", "forward", "reverse")},
    "abbreviated": {"closed": ("opn", "clsd"), "on": ("0", "1"), "pressed": ("no", "yes"),
                    "way": ("N", "D", "R")},
    "german": {"closed": ("offen", "geschlossen"), "on": ("aus", "ein"),
               "pressed": ("losgelassen", "betaetigt"),
               "way": ("Leerlauf", "vorwaerts", "rueckwaerts")},
    "french": {"closed": ("ouvert", "ferme"), "on": ("arret", "marche"),
               "pressed": ("relache", "appuye"), "way": ("neutre", "avant", "arriere")},
    "spanish": {"closed": ("abierto", "cerrado"), "on": ("apagado", "encendido"),
                "pressed": ("suelto", "pisado"), "way": ("neutro", "adelante", "atras")},
}  # fmt: skip
# How English words are shortened by hand; the others lose their vowels or their end.
SHORT = {
    "voltage": ("volt", "U", "vltg"),
    "current": ("cur", "I", "crnt"),
    "temperature": ("temp", "T", "tmp"),
    "speed": ("spd", "n"),
    "torque": ("trq", "tq"),
    "battery": ("batt", "bat"),
    "contactor": ("ctr", "cntctr", "K"),
    "negative": ("neg", "minus"),
    "positive": ("pos", "plus"),
    "precharge": ("prechg", "pchg"),
    "command": ("cmd",),
    "request": ("req",),
    "resistance": ("R", "res"),
    "insulation": ("iso", "ins"),
    "isolation": ("iso",),
    "ignition": ("ign",),
    "accelerator": ("accel", "acc"),
    "position": ("pos",),
    "pedal": ("ped",),
    "direction": ("dir",),
    "inverter": ("inv",),
    "motor": ("mot", "EM"),
    "emergency": ("emcy", "emg"),
    "brake": ("brk",),
    "counter": ("cnt", "ctr"),
    "checksum": ("chk", "cs"),
    "fault": ("flt",),
    "error": ("err",),
    "actual": ("act",),
    "status": ("sts", "stat"),
    "switch": ("sw",),
}
# What is left of a name where signals are numbered through: the kind of thing at most.
KINDS = {
    "Voltage": ("PackVoltage", "ControlVoltage", "LinkVoltage", "CellVoltage"),
    "Current": ("PackCurrent", "CurrentLimit"),
    "Resistance": ("Resistance",),
    "State": ("NegativeClosed", "PrechargeClosed", "PositiveClosed", "Ignition", "BrakePressed",
              "EmergencyStop", "Direction", "Fault", "ParkingBrake", "Door"),
    "Command": ("NegativeCommand", "PrechargeCommand", "PositiveCommand"),
    "Position": ("Pedal", "Pedal2"),
    "Flow": ("Flow",),
    "Speed": ("MotorSpeed", "SpeedTarget"),
    "Torque": ("Torque", "TorqueRequest", "TorqueLimit"),
    "Temp": ("InverterTemp", "WindingTemp", "BatteryTemp"),
    "Counter": ("Alive",),
    "CRC": ("Checksum",),
}  # fmt: skip
KIND = {name: kind for kind, names in KINDS.items() for name in names}


class Names:
    """One person's names: the same habit, case and joints throughout a vehicle."""

    def __init__(self, rng, habit):
        self.rng, self.habit = rng, habit
        self.language = habit if habit in LABELS and habit != "abbreviated" else "english"
        self.joint = str(rng.choice(["camel", "pascal", "snake", "upper", "kebabless"]))
        self.prefixed = bool(rng.random() < 0.2)  # every signal bears its message's name as well
        self.opaque = bool(rng.random() < 0.3)  # numbered: not even the kind of thing is left
        self.numbers = {}
        self.given = {}

    def message(self, name):
        return self._once(("", name), lambda: self._message(name))

    def signal(self, message, name):
        return self._once((message, name), lambda: self._signal(message, name))

    def labels(self, name, codes):
        """Value table of a state or direction, by raw code; empty for who writes none."""
        if self.habit == "numbered" or self.rng.random() < 0.5:
            return {}
        own = LABELS[self.habit]
        ends = {"Closed": "closed", "Command": "on", "Ignition": "on", "Direction": "way"}
        kind = next((kind for end, kind in ends.items() if name.endswith(end)), "pressed")
        return {code: own[kind][state] for state, code in codes.items()}

    def _once(self, key, make):
        if key not in self.given:
            name: str = make()
            taken = {name for at, name in self.given.items() if at[0] == key[0]}
            while name.casefold() in {one.casefold() for one in taken}:
                name += "b"
            self.given[key] = name
        return self.given[key]

    def _message(self, name):
        if self.habit == "numbered":
            return self._number("Msg")
        return self._joined(str(self.rng.choice(MESSAGES[name][self.language])).split())

    def _signal(self, message, name):
        if self.habit == "numbered":
            return self._number("Sig" if self.opaque else KIND[name])
        words = str(self.rng.choice(SIGNALS[name][self.language])).split()
        joined = self._joined(words)
        return f"{self.message(message)}_{joined}" if self.prefixed else joined

    def _number(self, kind):
        self.numbers[kind] = self.numbers.get(kind, 0) + 1
        return f"{kind}{self.numbers[kind]:02}"

    def _joined(self, words):
        if self.habit == "abbreviated":
            words = [self._short(word) for word in words]
        if self.joint == "camel":
            text = words[0] + "".join(w[:1].upper() + w[1:] for w in words[1:])
        elif self.joint == "pascal":
            text = "".join(w[:1].upper() + w[1:] for w in words)
        elif self.joint == "upper":
            text = "_".join(words).upper()
        else:
            text = "_".join(words)
        return text if not re.match(r"\d", text) else f"S_{text}"

    def _short(self, word):
        if word in SHORT:
            return str(self.rng.choice(SHORT[word]))
        if len(word) < 6:
            return word
        return re.sub(r"(?<!^)[aeiou]", "", word) if self.rng.random() < 0.5 else word[:4]
