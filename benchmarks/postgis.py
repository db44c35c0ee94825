"""The geometry part in SQL: setbacks and differences of a town's lots in PostGIS, beside the same ground of a run.

    apt-get install postgresql postgis postgresql-*-postgis-3      # once; without it this script says so and ends
    python benchmarks/postgis.py --lots 20000

Starts a server of its own in a new folder on a local socket, loads parcels and buildings, and asks for the lot inset by
the lot-line setback less all buildings grown by the foundation setback: what `open_ground` of a run is, before wells,
trees and water. It does no roofs, slopes, placements, water or ranks.
"""

import argparse
import os
import pwd
import shutil
import subprocess
import tempfile
import time
from pathlib import Path

import pyogrio
import shapely
from towns import WORK, town

FOUNDATION_M = 3.05
LOT_LINE_M = 1.52

# numbers of this file, no user's text
QUERY = f"""
CREATE TABLE open_ground AS
SELECT p.id, ST_Difference(ST_Buffer(p.geom, -{LOT_LINE_M}, 'join=mitre'),
       COALESCE((SELECT ST_Union(ST_Buffer(b.geom, {FOUNDATION_M})) FROM buildings b
                 WHERE ST_DWithin(b.geom, p.geom, {FOUNDATION_M})), ST_GeomFromText('POLYGON EMPTY', 26915))) AS geom
FROM parcels p WHERE p.land_use = 'Residential'
"""  # noqa: S608


def binaries() -> Path | None:
    """Folder of the newest PostgreSQL of the system that has PostGIS; None without."""
    for control in sorted(Path("/usr/share/postgresql").glob("*/extension/postgis.control"), reverse=True):
        folder = Path("/usr/lib/postgresql") / control.parts[4] / "bin"
        if (folder / "initdb").exists():
            return folder
    return None


def as_server_user() -> dict[str, str]:
    """PostgreSQL refuses to run as root: the package's own user does it then."""
    return {"user": "postgres", "group": "postgres"} if os.geteuid() == 0 else {}


def _copy_rows(folder: Path) -> dict[str, str]:
    """Rows of the tables as COPY takes them."""
    parcels = pyogrio.read_dataframe(folder / "parcels.gpkg")
    buildings = pyogrio.read_dataframe(folder / "buildings.gpkg")
    outline = {
        "parcels": shapely.to_wkb(parcels.geometry.to_numpy(), hex=True),
        "buildings": shapely.to_wkb(buildings.geometry.to_numpy(), hex=True),
    }
    use = parcels["land_use"].fillna("").tolist()
    return {
        "parcels": "".join(f"{k}\t{use[k]}\t{one}\n" for k, one in enumerate(outline["parcels"]) if one),
        "buildings": "".join(f"{k}\t\t{one}\n" for k, one in enumerate(outline["buildings"]) if one),
    }


def main() -> None:
    """Start the server, load, ask, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lots", type=int, default=20_000)
    arguments = parser.parse_args()
    where = binaries()
    if where is None:
        print("PostgreSQL with PostGIS is not on this machine: nothing is compared.")
        return
    WORK.mkdir(exist_ok=True)
    rows = _copy_rows(town(arguments.lots))
    user = as_server_user()
    place = Path(tempfile.mkdtemp(prefix="postgis_"))
    if user:
        owner = pwd.getpwnam(user["user"])
        os.chown(place, owner.pw_uid, owner.pw_gid)
    data, log = place / "data", place / "log"

    def call(*command: object, text: str | None = None) -> None:
        subprocess.run([str(part) for part in command], check=True, input=text, text=True, cwd=place,
                       stdout=subprocess.DEVNULL, **user)  # fmt: skip

    def ask(sql: str, text: str | None = None) -> float:
        begin = time.perf_counter()
        call(where / "psql", "-q", "-v", "ON_ERROR_STOP=1", "-h", place, "-d", "postgres", "-c", sql, text=text)
        return time.perf_counter() - begin

    call(where / "initdb", "-D", data, "--auth=trust", "-U", user.get("user", os.environ.get("USER", "postgres")))
    call(where / "pg_ctl", "-D", data, "-l", log, "-w", "-o", f"-c listen_addresses='' -k {place}", "start")
    try:
        ask("CREATE EXTENSION postgis")
        load_s = 0.0
        for name, text in rows.items():
            load_s += ask(f"CREATE TABLE {name} (id int, land_use text, geom geometry)")
            load_s += ask(f"COPY {name} FROM STDIN", text)
            load_s += ask(f"UPDATE {name} SET geom = ST_SetSRID(geom, 26915)")  # noqa: S608
            load_s += ask(f"CREATE INDEX ON {name} USING gist (geom)")
            load_s += ask(f"ANALYZE {name}")
        query_s = ask(QUERY)
        print(f"{arguments.lots:,} lots: loading and indexing {load_s:.1f} s, setbacks and differences {query_s:.1f} s")
    finally:
        call(where / "pg_ctl", "-D", data, "-m", "immediate", "stop")
        shutil.rmtree(place, ignore_errors=True)


if __name__ == "__main__":
    main()
