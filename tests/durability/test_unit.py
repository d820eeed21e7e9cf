"""The unit file of the README says what the service manager needs; the kills start the program by it."""

from linelog.web import server, supervise
from tests.durability import unit


def test_the_unit_starts_the_program_again_and_for_ever_and_lets_it_end_gently():
    found = unit.unit()
    service = found["Service"]
    assert service["Restart"] == "always"
    assert 0 < unit.pause_s() <= 2  # with a start of 3 s the site is back within 10 s
    assert found["Unit"]["StartLimitIntervalSec"] == "0"  # else five ends in a row are the last
    assert service["KillMode"] == "mixed"  # the parts are told by the program, not twice
    assert float(service["TimeoutStopSec"]) > supervise.GRACE_S > server.GRACE_S
    assert service["Type"] == "exec"


def test_the_unit_names_a_user_without_rights_and_keeps_its_files_to_it():
    service = unit.unit()["Service"]
    assert service["User"] == "linelog"
    assert service["UMask"] == "0077"
    assert service["ProtectSystem"] == "strict"
    assert "LINELOG_DATA=/var/lib/linelog" in service["Environment"]
    assert service["StateDirectory"] == "linelog"


def test_the_unit_runs_the_readmes_own_command_without_the_published_passwords():
    words = unit.command(8000)
    assert words[1:4] == ["-m", "linelog", "serve"]
    assert "--no-demo" in words
