"""How good edges are: roughness and its spectrum, frequency response of the scan, corners."""
