"""What a column name says: general words of the trade in a few languages, weighed; no maker's channel lists."""

import re
import unicodedata
from dataclasses import dataclass
from functools import cache

# Words that names are often glued from (`whlspdfl`); only used when a token falls apart into these without a rest.
_PIECES = (
    "wheel whl speed spd velocity vel front rear left right fl fr rl rr lf rf lr throttle pedal ped position "
    "pos percent "
    "pct steer steering angle ang yaw rate gyro lat long lateral longitudinal acc accel acceleration brake "
    "press pressure "
    "gps engine eng rpm gear lap number time sec kmh kph mph deg g ms rad x y z"
).split()
_SMALL = r"[^\W\d_A-Z]"  # or of an alphabet without capitals that we know
_TOKEN = re.compile(rf"[A-Z]+(?=[A-Z][a-z])|[A-Z]?{_SMALL}+|[A-Z]+|\d+")


# Japanese and Chinese words of the trade in English, the longer ones before those they hold
_IDEOGRAMS = tuple(
    word.split(":")
    for line in (
        "横向加速度:lateral acceleration,纵向加速度:longitudinal acceleration,横摆角速度:yaw rate,轮速:wheel speed",
        "左后:rl,右后:rr,时间:time,油门:throttle,节气门:throttle,方向盘转角:steering angle,制动:brake",
        "車輪速度:wheel speed,車輪速:wheel speed,車輪:wheel,ホイール速度:wheel speed,ホイール:wheel",
        "左前:fl,前左:fl,右前:fr,前右:fr,左後:rl,後左:rl,右後:rr,後右:rr,スロットル開度:throttle",
        "スロットル:throttle,アクセル開度:throttle,アクセル:throttle,ステアリング:steering",
        "操舵角:steering,舵角:steering,ハンドル角:steering,横加速度:lateral acceleration,横:lateral",
        "前後加速度:longitudinal acceleration,前後:longitudinal,ヨーレート:yaw rate",
        "ヨーレイト:yaw rate,ヨー角速度:yaw rate,ブレーキ油圧:brake pressure",
        "ブレーキ圧力:brake pressure,ブレーキ圧:brake pressure,ブレーキ:brake,車速:speed,速度:speed",
        "加速度:acceleration,エンジン回転数:engine speed,エンジン回転:engine speed,周回:lap",
        "ラップ:lap,ギア:gear,緯度:latitude,経度:longitude,時間:time,時刻:time,距離:distance",
        "角度:angle,角:angle,経過:elapsed,数:number",
    )
    for word in line.split(",")
)
LONGEST_NAME = 200  # characters; what is longer says nothing more


@cache
def tokens(name: str) -> tuple[str, ...]:
    """A name in lower-case words without accents; camel case and glued words taken apart."""
    name = unicodedata.normalize("NFKC", name[:LONGEST_NAME])
    if not name.isascii():
        for word, english in _IDEOGRAMS:
            name = name.replace(word, f" {english} ")
    plain = unicodedata.normalize("NFKD", name.replace("ß", "ss"))
    plain = "".join(c for c in plain if not unicodedata.combining(c))
    result: list[str] = []
    for token in _TOKEN.findall(plain):
        result.extend(_pieces(token.lower()))
    return tuple(result)


def _pieces(token: str) -> list[str]:
    """The token as known pieces when it is made of nothing else, longest first; otherwise itself."""
    if len(token) < 4:
        return [token]
    best: list[list[str] | None] = [[]] + [None] * len(token)
    for end in range(1, len(token) + 1):
        for start in range(end):
            piece, before = token[start:end], best[start]
            found = best[end]
            if before is not None and piece in _PIECES and (found is None or len(before) + 1 < len(found)):
                best[end] = [*before, piece]
    return best[-1] or [token]


@dataclass(frozen=True)
class Rule:
    """How a channel is named: patterns with a score, and words that rule it out."""

    patterns: tuple[tuple[str, float], ...]
    blocked: str = r"$^"


def _any(words: str) -> str:
    """One of the words of a blank-separated list; `_` stands for a blank within one."""
    return "(" + "|".join(word.replace("_", " ") for word in words.split()) + ")"


_ACC = _any(
    "a acc accel acceleration accelerazione aceleracion aceleracao acel versnelling g gforce force beschl "
    "beschleunigung accelerometer"
)
_SPEED = _any(
    "speed spd vel velo velocity geschw geschwindigkeit vitesse vit velocidad velocidade velocita snelheid "
    "wielsnelheid rpm rotation drehzahl toerental "
    r"raddreh\w* radgeschw\w*"
)
_WHEEL = _any(r"wheel whl ws wss rad raddreh\w* radgeschw\w* roue rueda roda ruota wiel wielsnelheid")
_CORNER = {
    "fl": _any(
        "fl lf vl lv avg front_left left_front vorne_links links_vorne avant_gauche gauche_avant anteriore_sinistra "
        "ant_sx delantera_izquierda delantera_izq dianteira_esquerda diant_esq di f_l linksvoor voorlinks links_voor"
    ),
    "fr": _any(
        "fr rf vr rv avd front_right right_front vorne_rechts rechts_vorne avant_droite droite_avant anteriore_destra "
        "ant_dx delantera_derecha delantera_der dianteira_direita diant_dir dd f_r rechtsvoor voorrechts rechts_voor"
    ),
    "rl": _any(
        "rl lr hl arg rear_left left_rear back_left hinten_links links_hinten arriere_gauche gauche_arriere "
        "posteriore_sinistra post_sx trasera_izquierda trasera_izq traseira_esquerda tras_esq "
        "ti r_l linksachter achterlinks links_achter "
        "la"
    ),
    "rr": _any(
        "rr hr ard rear_right right_rear back_right hinten_rechts rechts_hinten arriere_droite droite_arriere "
        "posteriore_destra post_dx trasera_derecha trasera_der traseira_direita tras_dir "
        "td r_r rechtsachter achterrechts rechts_achter ra"
    ),
}


# how the four wheels are written, in small letters: front left, front right, rear left, rear right
CORNERS = tuple(
    tuple(line.split(","))
    for line in (
        "fl,fr,rl,rr",
        "lf,rf,lr,rr",
        "vl,vr,hl,hr",
        "avg,avd,arg,ard",
        "lv,rv,la,ra",
        "di,dd,ti,td",
        "de,dd,te,td",
        "vf,hf,vb,hb",
        "vänster fram,höger fram,vänster bak,höger bak",
        "vänster_fram,höger_fram,vänster_bak,höger_bak",
        "fram vänster,fram höger,bak vänster,bak höger",
        "lp,pp,lt,pt",
        "lp,pp,lz,pz",
        "be,je,bh,jh",
        "左前,右前,左後,右後",
        "前左,前右,後左,後右",
        "f_l,f_r,r_l,r_r",
        *(
            f"{ahead}{gap}{left},{ahead}{gap}{right},{behind}{gap}{left},{behind}{gap}{right}"
            for ahead, behind in (
                ("front", "rear"),
                ("frnt", "rear"),
                ("frnt", "re"),
                ("front", "back"),
                ("fr", "re"),
                ("axle1", "axle2"),
            )
            for left, right in (("left", "right"), ("l", "r"), ("lft", "rgt"), ("lh", "rh"), ("le", "ri"))
            for gap in ("", "_", " ", "-", ".")
        ),
        *(
            f"{left}{gap}{ahead},{right}{gap}{ahead},{left}{gap}{behind},{right}{gap}{behind}"
            for ahead, behind in (("front", "rear"), ("front", "back"), ("f", "r"))
            for left, right in (("left", "right"), ("l", "r"), ("lh", "rh"))
            for gap in ("", "_", " ", "-", ".")
        ),
    )
)
_OTHER_THAN_SPEED = _any(
    "temp temperature press pressure brake damper susp suspension travel load height ride slip torque accel acc camber "
    "pot shock force target reference ref angle angles winkel druck status valid error volt voltage age wear "
    "yaw lacet imbardata guinada"  # `di` is a wheel in Spanish, and in Italian what stands before the yaw rate
)
_NOT_WHEEL = rf"\b{_OTHER_THAN_SPEED}\b"


def not_a_wheel_speed(name: str) -> bool:
    """Whether a word of the name says that it is something else of a wheel: a pressure, a temperature, a travel."""
    return re.search(_NOT_WHEEL, " ".join(tokens(name))) is not None


def _both(a: str, b: str) -> str:
    return rf"(?=.*\b{a}\b)(?=.*\b{b}\b)"


RULES: dict[str, Rule] = {
    **{
        f"wheel_speed_{corner}": Rule(
            (
                (rf"(?=.*\b{_WHEEL}\b)" + _both(_SPEED, words), 1.0),
                (_both(_WHEEL, words), 0.85),
                (_both(_SPEED, words), 0.85),
                (_both("(w|v|n|omega|pulse|pulses|freq|frequency|tooth|teeth)", words), 0.78),
                (rf"^{words}$", 0.55),
            ),
            _NOT_WHEEL,
        )
        for corner, words in _CORNER.items()
    },
    "throttle": Rule(
        (
            (
                r"\b(throttle|drosselklappe\w*|papillon|farfalla|borboleta|acelerador|accelerateur|gaspedal\w*|"
                r"fahrpedal\w*|pedalweg|accelerator|gaspedaal\w*|gasklep\w*|gasspj\w*|gaspadrag|przepustnica|plyn|gaz|gazpedal)\b",
                1.0,
            ),
            (r"\b(gas pedal|pedale d accelerateur|pedal gas|accel pedal|pedal accel)\b", 1.0),
            (r"\b(tps|pps|app|gas)\b|^(thr|thrott)( (pos|position|ped|pedal))?( (pct|percent))?$", 0.85),
            (r"^(pedal|pedal pos|pedal position|pedal percent)$", 0.72),
        ),
        r"\b(target|map|blip|temp|brake|clutch|volt|voltage|speed|rate|error|setpoint|request|requested|trim|zero|max|min|status)\b",
    ),
    "steer": Rule(
        (
            (
                r"\b(steer|steering|lenk|lenkwinkel|lenkradwinkel|lenkrad|volant|volante|sterzo|stuur\w*|handwheel|"
                r"steered|swa|sas|ratt?vinkel|kierownic\w*|volantu|kormany\w*)\b",
                1.0,
            ),
            (r"\b(angulo|giro) (de )?(la )?(direccion|direcao)\b", 1.0),
            (r"\b(str|strg) (ang|angle|wheel)\b", 0.9),
            (r"\b(road wheel angle|front wheel angle|hand wheel)\b", 0.95),
            (r"^delta( (f|front|steer|angle))?$", 0.75),
        ),
        r"\b(torque|rate|speed|vel|velocity|force|moment|press|pressure|temp|assist|time|raw|volt|voltage|current|status|valid|target|button|switch)\b",
    ),
    "lat_g": Rule(
        (
            (_both(r"(lat|lateral|laterale|quer|transversal|transversale)", _ACC), 1.0),
            (r"\b(querbeschl\w*|dwarsversnelling|latacc|glat|latg|alat)\b", 1.0),
            (r"\b(tv(ae|æ)racceleration|tvaracceleration|sid[oe]?acceleration|oldalgyorsulas)\b", 1.0),
            (r"\b(przyspieszenie poprzeczne|pricne zrychleni)\b", 1.0),
            (r"^(imu )?(a y|ay|y acc|acc y|accel y|acceleration y|g y|y accel|acy)( imu| g| mps ?2)?$", 0.9),
            (r"^(lateral|quer|aquer)$", 0.75),
            (r"^lat$", 0.7),  # the unit tells it from the latitude
        ),
        r"\b(latitude|speed|vel|velocity|tyre|tire|force n|jerk|front|rear|target|combined|total|wheel)\b",
    ),
    "long_g": Rule(
        (
            (_both(r"(long|lon|longitudinal|longitudinale|langs|laengs|inline)", _ACC), 1.0),
            (r"\b(l(a|ae)ngsbeschl\w*|langsversnelling|longacc|glong|longg)\b", 1.0),
            (r"\b(l(a|ae)ng[sd]acceleration|przyspieszenie wzdluzne|podelne zrychleni)\b", 1.0),
            (r"^(imu )?(a x|ax|x acc|acc x|accel x|acceleration x|g x|x accel|acx)( imu| g| mps ?2)?$", 0.9),
            (r"^(longitudinal|laengs|langs|alaengs|alangs|along)$", 0.75),
        ),
        r"\b(longitude|speed|vel|velocity|tyre|tire|jerk|front|rear|target|combined|total|wheel)\b",
    ),
    "yaw_rate": Rule(
        (
            (
                r"\b(yaw (rate|rt|velocity|speed|vel|gyro)|(rate|gyro) yaw|vitesse de lacet|vitesse lacet|yawrate)\b",
                1.0,
            ),
            (r"\b(gierrate|gier\w*snelheid|giergeschwindigkeit|gier rate|imbardata|guinada|lacet)\b", 1.0),
            (r"\b(gir(vinkel)?hastighet|predkosc odchylania)\b", 1.0),
            (r"\b(gyro z|z gyro|rate z|z rate|omega z|rot z|rotation z|gyr z|wz|ang vel z|angular velocity z)\b", 0.9),
            (r"^(yaw|omega|gier|gyro)$", 0.72),
        ),
        r"\b(angle|acc|accel|acceleration|roll|pitch|target|heading|wheel|error|moment|torque)\b",
    ),
    "brake": Rule(
        (
            (
                _both(
                    r"(brake|brk|frein|freno|freio|travao|brems|bremse)",
                    r"(press|pressure|pression|pressione|presion|pressao|druck|pres)",
                )
                + r"(?!.*\b(rear|hinten)\b)",
                1.0,
            ),
            (
                _both(
                    r"(brake|brk|frein|freno|freio|travao|brems|bremse)",
                    r"(press|pressure|pression|pressione|presion|pressao|druck|pres)",
                ),
                0.9,
            ),
            (
                r"\b(bremsdruck|remdruk|rempedaal|bremspedal|bromstryck|bremsetrykk|cisnienie hamulca|tlak brzdy|"
                r"brake pedal|brake ped|brake pos|brake position|pbrake|brakepress)\b",
                0.95,
            ),
            (r"\b(brake|brakes|brk|frein|freno|freio|travao|bremse)\b", 0.85),
        ),
        r"\b(temp|temperature|bias|balance|disc|disk|torque|wear|switch|light|rate|status|fl|fr|rl|rr|left|right|volt|voltage|target|point)\b",
    ),
    "gps_speed": Rule(
        (
            (_both(r"(gps|gnss|satellite|optical)", _SPEED), 1.0),
            (r"\b(ground speed|speed over ground|sog|v gps|vgps|gps v)\b", 0.95),
            (r"^(speed|vehicle speed|car speed|velocity|geschwindigkeit|vitesse|velocidad|v x|vx|v)$", 0.62),
        ),
        r"\b(accuracy|error|acc|wheel|fl|fr|rl|rr|engine|wind|max|min|vertical|limit|target|pit)\b",
    ),
    "latitude": Rule(
        ((r"\b(latitude|breitengrad|latitud)\b", 1.0), (r"\b(gps|gnss|position|pos) lat\b|^lat( (gps|pos))?$", 0.8)),
        r"\b(acc|accel|acceleration|g|force|speed|vel|accuracy|error|std)\b",
    ),
    "longitude": Rule(
        (
            (r"\b(longitude|laengengrad|langengrad|longitud)\b", 1.0),
            (r"\b(gps|gnss|position|pos) (lon|long|lng)\b|^(lon|long|lng)( (gps|pos))?$", 0.8),
        ),
        r"\b(acc|accel|acceleration|g|force|speed|vel|accuracy|error|std)\b",
    ),
    "engine_speed": Rule(
        (
            (
                _both(
                    r"(engine|eng|motor|moteur|motore)",
                    r"(speed|spd|rpm|revs|rev|rotation|drehzahl|regimen?|giri|rotacao|toeren\w*)",
                ),
                1.0,
            ),
            (r"\b(motordrehzahl|motortoerental|nmot|n mot|n engine|regime moteur|giri motore)\b", 1.0),
            (r"^(rpm|revs|drehzahl|regime|giri)$", 0.9),
        ),
        r"\b(wheel|shaft|gearbox|limit|limiter|turbo|target|fan|idle|max|min|fl|fr|rl|rr)\b",
    ),
    "gear": Rule(
        ((r"^(gear|gang|rapport|marcia|marcha|versnelling)( (pos|position|number|no|actual|engaged|current))?$", 1.0),),
        r"\b(temp|ratio|box|oil|press|volt|shift|request|target)\b",
    ),
    "engine_torque": Rule(
        (
            (
                _both(r"(engine|eng|motor|moteur)", r"(torque|moment|couple|trq|tq|coppia)") + "|" + r"\bmotormoment\b",
                1.0,
            ),
        ),
        r"\b(wheel|limit|request|target|max|min|demand|loss|friction|reserve)\b",
    ),
    "lap": Rule(
        (
            (
                r"^(lap|runde|tour|giro|vuelta|volta|ronde)( (number|no|nr|num|count|counter|index|id))?$|"
                r"^rundennummer$",
                1.0,
            ),
        ),
        r"\b(time|dist|distance|beacon|fuel|last|best|delta)\b",
    ),
    "diff_temperature": Rule(
        ((_both(r"(diff|differential|differenzial|lsd)", r"(temp|temperature|temperatur)"), 1.0),),
        r"\b(pressure|amb|ambient)\b",
    ),
    "time": Rule(
        (
            (
                r"^(time|zeit|temps|tiempo|tempo|tijd|tid|czas|cas|ido|timestamp|time stamp|"
                r"elapsed( time)?|(session|log) time|t( (ms|us|ns))?)$",
                1.0,
            ),
            (
                r"^(time|zeit|temps|timestamp) "
                r"(s|sec|secs|seconds|ms|us|ns|utc|of day|abs|rel|relative|absolute|local)$",
                1.0,
            ),
            (
                r"^(date time|datetime|utc|utc time|time utc|sample time|time of day|clock|uhrzeit|heure)$",
                0.9,
            ),
            (r"^(gps|unix|epoch|posix|system|utc)( (time|timestamp|stamp|utc))?( (s|sec|seconds|ms|us|ns))?$", 0.8),
            (r"^time (gps|unix|epoch)$", 0.8),
            (r"^(date|datum|data|fecha)$", 0.72),
        ),
        r"\b(lap|delta|best|sector|gap|remaining|engine on|last|predicted|split)\b",
    ),
    "distance": Rule(
        (
            (
                r"^(distance|dist|weg|strecke|wegstrecke|odometer|odo)( (total|driven|m|km))?$|^(total|log) distance$",
                1.0,
            ),
        ),
        r"\b(lap|to|remaining)\b",
    ),
}
ROAD_WHEEL = re.compile(r"\b(delta|road wheel|front wheel|rwa|at the wheels|roadwheel)\b")
_FILLERS = {"value", "val", "signal", "channel", "chan", "ch", "sensor", "sens", "can", "filtered", "mean"}


@cache
def _compiled(channel: str) -> tuple[tuple[tuple[re.Pattern[str], float], ...], re.Pattern[str]]:
    """A rule's patterns with their scores and what rules it out; a log with canonical names asks for none."""
    rule = RULES[channel]
    return tuple((re.compile(p), score) for p, score in rule.patterns), re.compile(rule.blocked)


@cache
def name_score(channel: str, name: str) -> float:
    """How well a column name fits a channel, 0 to 1; 0 when a word rules it out.

    Words that say nothing cost a little, so that of two candidates the plainer one leads.
    """
    words = tokens(name)
    telling = [w for w in words if w not in _FILLERS] or list(words)
    text = " ".join(telling)
    patterns, blocked = _compiled(channel)
    if blocked.search(text):
        return 0.0
    best = max((score for pattern, score in patterns if pattern.search(text)), default=0.0)
    if not best:
        return 0.0
    return max(0.0, best - 0.03 * max(0, len(telling) - 4) - 0.01 * (len(words) - len(telling)))
