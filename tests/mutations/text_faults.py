"""Mutations of texts: rain tables, run files, parameters, options of the command line."""

from __future__ import annotations

import json

from mutations.trial import PAYLOADS
from screening.params import SECTIONS, declared

NUMBERS = (
    "nan",
    "inf",
    "-inf",
    "1e300",
    "-1e300",
    "1e-300",
    "0",
    "-0.0",
    "-1",
    "99999999999999999999999",
    "1e308",
    "0.1",
    "1",
    "2",
    "1000000",
    "0x7fffffff",
    "1e15",
)
VALUES = (
    *NUMBERS,
    '""',
    '"x"',
    "true",
    "false",
    "[]",
    "{}",
    "[[]]",
    "[1]",
    "[nan, inf]",
    '["a", "a"]',
    "[1e300, 2]",
    "2020-01-01",
    "07:00:00",
    '"\\u0000"',
    '"../../etc/passwd"',
    "'''\nx\n'''",
    "{a = {b = {c = 1}}}",
    "[0]",
    "[-5, 3]",
    '"' + "x" * 10_000 + '"',
    "[" + "1," * 5_000 + "1]",
)


def parameters():
    """Section and key of every parameter that is no path."""
    return [
        (section, name)
        for section, kind in SECTIONS.items()
        for name in declared(kind)
        if (section, name) not in {("inputs", "parcels"), ("inputs", "buildings"), ("inputs", "elevation")}
    ]


def _toml_text(text):
    """A text as TOML writes it."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f").encode("utf-8", "replace").decode()


def rain_table(trial):
    """Rain with other columns, dates, numbers, marks, lengths."""
    head = 'rain = "rain.csv"\n'
    trial.town(head=head)
    trial.take("rain.csv")
    path = trial.inputs / "rain.csv"
    lines = path.read_text().splitlines()
    odd = ("nan", "inf", "-1", "1e300", "", " ", "x", "-9999", "1,5", "T", "99999", '"1', "\x00", *PAYLOADS[:5])
    dates = (
        "0000-00-00",
        "9999-12-31",
        "2018-02-30",
        "1/1/18",
        "x",
        "",
        "2018-01-01T00:00Z",
        "1e10",
        "-5",
        "2262-04-12",
        "2018-01-01 25:00",
        "20180101",
        "１９９９-01-01",
    )
    n = len(lines) - 1
    rows = [1 + trial.below(n)] if trial.chance(0.5) else range(1, n + 1, trial.one_of((1, 7)))
    way = trial.below(14)
    trial.say(f"rain, way {way}")
    if way == 0:
        value = trial.one_of(odd)
        for row in rows:
            lines[row] = lines[row].split(",")[0] + f",{value}"
    elif way == 1:
        value = trial.one_of(dates)
        for row in rows:
            lines[row] = f"{value}," + lines[row].split(",")[1]
    elif way == 2:
        lines[0] = trial.one_of(
            (
                "",
                "time",
                "rain_mm,time",
                "time;rain_mm",
                "TIME,RAIN_MM",
                "time,rain_mm,time,rain_mm",
                '"time","rain_mm',
                "time\train_mm",
                "x" * 100_000,
                ",".join(["rain_mm"] * 5000),
            )
        )
    elif way == 3:
        lines = [line.replace(",", trial.one_of((";", "\t", "|", " ", ",,,"))) for line in lines]
    elif way == 4:
        lines = lines[: trial.one_of((0, 1, 2, 3, 40))]
    elif way == 5:
        trial.rng.shuffle(lines)
    elif way == 6:
        lines += lines[1:]
    elif way == 7:
        lines[5] = '"' + "x\n" * 5000
    elif way == 8:
        lines[3] += "," + ",".join(["1"] * trial.one_of((3, 20_000)))
    elif way == 9:
        path.write_bytes("\n".join(lines).encode(trial.one_of(("utf-16", "utf-32", "utf-8-sig", "cp037"))))
    elif way == 10:
        path.write_bytes("\n".join(lines).encode().replace(b"2019", b"20\xff\x00"))
    elif way == 11:
        del lines[2 : 2 + trial.below(n)]
    elif way == 12:
        lines = [f"# {trial.one_of(PAYLOADS)}", *lines]
    else:
        lines.insert(1, "0001-01-01,1")
        lines.append("9000-01-01,1")
    if way not in {9, 10}:
        path.write_bytes("\n".join(lines).encode("utf-8", "surrogatepass"))
    more = trial.one_of(("", "", "[rain]\nyears = [2019]\n", '[rain]\nunit = "in"\n', "[rain]\nyears = [1, 9999]\n"))
    trial.inputs.joinpath("run.toml").write_text(trial.inputs.joinpath("run.toml").read_text() + more)
    trial.screen()


def run_file(trial):
    """A run file that is nested, endless, of other types, or no TOML."""
    trial.town()
    path = trial.inputs / "run.toml"
    text = path.read_text()
    deep = trial.one_of((50, 500, 3_000, 100_000))
    menu = {
        "nested arrays": text + "[siting]\nshape_ratios = " + "[" * deep + "]" * deep,
        "unclosed arrays": "a = " + "[" * deep,
        "nested tables": text + "[siting]\nx = " + "{a=" * deep + "1" + "}" * deep,
        "dotted key": ".".join(["a"] * deep) + " = 1\n" + text,
        "dotted section": text + "[" + ".".join(["a"] * deep) + "]\nb = 1\n",
        "rows of tables": text + "[[inputs.keep_away]]\n" * min(deep, 3_000),
        "many keys": text + "[rules]\n" + "".join(f"k{i} = 1\n" for i in range(min(deep, 5_000))),
        "sections of other kinds": text.replace("[inputs]", "[[inputs]]"),
        "no sections": "inputs = 1\nfields = [2]\n",
        "long text": text.replace("PIN", "P" * 1_000_000),
        "long number": text + "[rules]\nlot_line_m = " + "9" * 100_000,
        "long integer": text + "[batch]\ntile_size_m = " + "9" * 5_000,
        "NUL": text.replace("PIN", "P\x00N"),
        "escaped NUL": text.replace("parcels.gpkg", "parcels\\u0000.gpkg"),
        "surrogate": text.replace("PIN", "\\ud800"),
        "controls": text.replace("PIN", "\\u001b[2J\\u0007"),
        "twice": text + text,
        "endless string": text + 'x = """' + "y" * 10_000,
        "mark": "\ufeff" + text,
        "Windows lines": text.replace("\n", "\r\n"),
        "old lines": text.replace("\n", "\r"),
        "empty": "",
        "noise": trial.rng.bytes(3000).hex(),
        "payload": text.replace("PIN", trial.one_of(PAYLOADS).replace("\\", "").replace('"', "").replace("\n", "")),
        "payload as layer": text + "[inputs.layers]\nparcels = " + _toml_text(trial.one_of(PAYLOADS)) + "\n",
        "payload as system": text + "[inputs.crs]\nparcels = " + _toml_text(trial.one_of(PAYLOADS)) + "\n",
        "payload as key": text + "[rules]\n" + _toml_text(trial.one_of(PAYLOADS)) + " = 1\n",
        "payload as land use": text + "[homes]\nland_use = [" + _toml_text(trial.one_of(PAYLOADS)) + "]\n",
        "system of a file": text + '[inputs.crs]\nparcels = "@/etc/passwd"\n',
        "system of the network": text + f'[inputs.crs]\nparcels = "http://127.0.0.1:{trial.port}/crs"\n',
        "system with grids": text + '[inputs.crs]\nparcels = "+proj=longlat +nadgrids=../../x.gsb,@null"\n',
        "endless system": text + '[inputs.crs]\nparcels = "' + "PROJCS[" * 20_000 + '"\n',
        "odd systems": text
        + f'[inputs]\n[inputs.crs]\nparcels = "{trial.one_of(("EPSG:0", "EPSG:-1", "EPSG:4979", "x"))}"\n',
        "working system": text.replace(
            "[fields]",
            'working_crs = "'
            + trial.one_of(
                (
                    "EPSG:4326",
                    "EPSG:3857",
                    "EPSG:2027",
                    "+proj=utm +zone=15 +a=nan",
                    "EPSG:26901",
                    "EPSG:5041",
                    "EPSG:32761",
                    "EPSG:5703",
                )
            )
            + '"\n[fields]',
        ),
    }
    name = trial.one_of(menu)
    trial.say(f"run file: {name} ({deep})")
    path.write_bytes(menu[name].encode("utf-8", "surrogatepass"))
    trial.screen()


def absurd_parameters(trial):
    """One to four parameters at values that nobody means, in the run file or on the command line."""
    names = parameters()
    chosen = [trial.one_of(names) for _ in range(trial.one_of((1, 1, 2, 4)))]
    values = [trial.one_of(NUMBERS if trial.chance(0.6) else VALUES) for _ in chosen]
    trial.town(head='rain = "rain.csv"\n' if trial.chance(0.2) else "")
    trial.take("rain.csv")
    trial.say(", ".join(f"{s}.{n}={v[:40]}" for (s, n), v in zip(chosen, values, strict=True)))
    options = [text for (s, n), v in zip(chosen, values, strict=True) for text in ("--set", f"{s}.{n}={v}")]
    trial.screen(*options)
    if trial.chance(0.2):
        trial.runs.append(["params", trial.one_of(SECTIONS)])


def within_bounds(trial):
    """Several parameters at the very ends of what is allowed, which must then work."""
    trial.town(head='rain = "rain.csv"\n' if trial.chance(0.2) else "")
    trial.take("rain.csv")
    options = []
    for _ in range(1 + trial.below(4)):
        section, name = trial.one_of(parameters())
        one = declared(SECTIONS[section])[name]
        spec = one.spec
        ends = [f"{v!r}" for v in (spec.ge, spec.le) if v is not None]
        ends += [f"{v + sign * 1e-9!r}" for v, sign in ((spec.gt, 1), (spec.lt, -1)) if v is not None]
        if spec.le is None and spec.lt is None:
            ends += ["1e6", "1e12"]
        ends = [f'"{word}"' for word in one.choices] or ends
        if isinstance(one.default, bool):
            ends = ["true", "false"]
        value = trial.one_of(ends)
        value = f"[{value}, {value}]" if isinstance(one.default, tuple) and trial.chance(0.8) else value
        options += ["--set", f"{section}.{name}={value}"]
    trial.say(" ".join(options))
    trial.run(*options)
    if trial.chance(0.3):
        trial.read_result(trial.out / "homes.gpkg")


def options(trial):
    """Options of the command line: absurd numbers, texts, commands and combinations."""
    trial.town()
    run = ["run", str(trial.inputs / "run.toml"), "-o", str(trial.out / "homes.gpkg"), "--jobs", "1", "--no-progress"]
    odd = (
        *NUMBERS,
        "",
        " ",
        "-",
        "--",
        "1,2,3,4",
        "nan,nan,nan,nan",
        "4,3,2,1",
        "479990,4979990,480050,4980050",
        "x" * 5_000,
        "\udcff",
        "é",
        *PAYLOADS[:8],
    )
    value = trial.one_of(odd).replace("\x00", "")
    menu = [
        [*run, "--bbox", value],
        [*run, "--limit", value],
        [*run, "--rules", value],
        [*run, "--set", value],
        [*run, "--set", f"rules.lot_line_m={value}"],
        [*run, "--set", f"{value}=1"],
        [*run, "--parcels", value],
        [*run, value],
        [*run, "--scheduler", value],
        [*run, f"--{value}"],
        [*run, "--resume", "--overwrite"],
        [*run, "--dry-run", "--json"],
        ["run", "-o", str(trial.out / "homes.gpkg"), "--elevation", value, "--parcels", value, "--buildings", value],
        [value],
        ["info", value],
        ["info", "--json"],
        ["params", value],
        ["rules", value],
        ["explain", value, value],
        ["table", value, "-o", str(trial.out / "t.csv")],
        ["map", value, "-o", str(trial.out / "m.html")],
        ["sheets", value, "-o", str(trial.out / "s.pdf")],
        ["streets", value, "--visits", value],
    ]
    trial.runs.append(trial.one_of(menu))
    trial.say(f"option {value[:40]!r}")
