"""Geometry of a line on the ellipsoid: places in space, and the tangent plane at each tower."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from pyproj import Geod

ELLIPSOID = Geod(ellps="WGS84")


def cartesian(latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> np.ndarray:
    """Geocentric x, y, z [m] of places on the ellipsoid, in the last axis."""
    latitude, longitude = np.radians(latitude_deg), np.radians(longitude_deg)
    normal = ELLIPSOID.a / np.sqrt(1.0 - ELLIPSOID.es * np.sin(latitude) ** 2)
    across = normal * np.cos(latitude)
    up = normal * (1.0 - ELLIPSOID.es) * np.sin(latitude)
    return np.stack([across * np.cos(longitude), across * np.sin(longitude), up], axis=-1)


@dataclass(frozen=True)
class Ground:
    """Towers in space, with the directions east and north at each tower."""

    xyz: np.ndarray
    east: np.ndarray
    north: np.ndarray

    @classmethod
    def under(cls, register: pd.DataFrame) -> Ground:
        """The ground under the towers of a table."""
        latitude, longitude = np.radians(register["latitude_deg"]), np.radians(register["longitude_deg"])
        east = np.stack([-np.sin(longitude), np.cos(longitude), np.zeros(len(register))], axis=-1)
        inward = -np.sin(latitude)
        north = np.stack([inward * np.cos(longitude), inward * np.sin(longitude), np.cos(latitude)], axis=-1)
        return cls(cartesian(register["latitude_deg"], register["longitude_deg"]), east, north)

    def beside(self, here: np.ndarray, *others: np.ndarray) -> list[np.ndarray]:
        """Other towers relative to the towers `here`: east + j·north [m] on the tangent plane."""
        steps = [self.xyz[there] - self.xyz[here] for there in others]
        return [(step * self.east[here]).sum(-1) + 1j * (step * self.north[here]).sum(-1) for step in steps]


def off_chord(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Distance [m] from the origin to the segment between two points of the plane."""
    chord = other - one
    share = -np.real(one * chord.conj()) / np.maximum(np.abs(chord) ** 2, 1e-12)
    return np.abs(one + np.clip(share, 0.0, 1.0) * chord)


def off_straight(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Distance [m] from the origin to the straight line through two points; inf where the points coincide."""
    apart = np.abs(other - one)
    return np.where(apart > 0.0, np.abs(np.imag(one.conj() * other)) / np.maximum(apart, 1e-6), np.inf)


def turn_deg(before: np.ndarray, after: np.ndarray) -> np.ndarray:
    """Turn at the origin [°] of a path from one point of the plane to another, right positive."""
    return -np.degrees(np.angle(-after * before.conj()))
