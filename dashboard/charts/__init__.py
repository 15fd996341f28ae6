"""One function a picture: a frame in, an Altair chart (or an SVG text) out; no Streamlit here."""
