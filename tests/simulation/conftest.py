"""A car and short sessions that the tests of the forward model share. Invented figures."""

import pytest

from analyzer.simulation.circuit import demo_circuit
from analyzer.simulation.simulated_car import Driver, LockParameters
from analyzer.simulation.simulated_session import Session, simulate_session
from analyzer.vehicle.car import Car


@pytest.fixture(scope="session")
def club_car() -> Car:
    return Car(
        name="invented club car",
        mass_kg=1050,
        wheelbase_m=2.40,
        front_weight_fraction=0.48,
        cg_height_m=0.45,
        front_track_m=1.42,
        rear_track_m=1.42,
        front_rolling_radius_m=0.30,
        rear_rolling_radius_m=0.30,
        steering_ratio=15,
        rear_load_transfer_fraction=0.46,
    )


@pytest.fixture(scope="session")
def drive_lap(club_car):
    """Drives one lap of the demo circuit with a differential; each is driven once per test session."""
    driven: dict[tuple, Session] = {}

    def drive(lock: LockParameters, *, mirrored: bool = False, variability: float = 1.0) -> Session:
        key = lock, mirrored, variability
        if key not in driven:
            circuit = demo_circuit()
            driven[key] = simulate_session(
                car=club_car,
                lock=lock,
                circuit=circuit.mirrored() if mirrored else circuit,
                laps=1,
                seed=5,
                driver=Driver(variability=variability),
            )
        return driven[key]

    return drive
