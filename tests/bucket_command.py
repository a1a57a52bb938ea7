"""An `apply` command for AP configs that are kernel token buckets of the lab.

May import lab_network and the standard library only.
"""

from pathlib import Path

from lab_network import FRAME_BYTES, LabNetwork


def apply_script(lab: LabNetwork, folder: Path, *, away_s: float = 0.0) -> Path:
    """Write a script that puts a bucket of $1 bit/s on both sending sides, 20 ms deep, as the laptop's user would call
    a program that talks to an access point; return its path, for ``sh``.

    away_s: for so long the server's end of the link is down meanwhile, as an access point that restarts its radio.
    """
    ends = [(lab._namespace("laptop"), "to-server"), (lab._namespace("server"), "to-laptop")]
    lines = ["set -e", f"burst=$(($1 / 400)); test $burst -gt {10 * FRAME_BYTES} || burst={10 * FRAME_BYTES}"]
    lines += [
        f"tc -n {namespace} qdisc replace dev {device} root tbf rate ${{1}}bit burst $burst limit $(($1 / 160))"
        for namespace, device in ends
    ]
    if away_s:
        server_end = f"ip -n {lab._namespace('server')} link set to-laptop"
        lines += [f"{server_end} down", f"sleep {away_s}", f"{server_end} up"]
        lines += [f"ip -n {namespace} neigh flush dev {device}" for namespace, device in ends]
    script = folder / "bucket.sh"
    script.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return script
