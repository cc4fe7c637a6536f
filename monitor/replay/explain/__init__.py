"""Why a trial came out as it did, and what another study file or tolerance would change."""
