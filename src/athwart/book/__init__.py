"""The book: one GeoPackage that remembers every trip.

It keeps what was seen (sightings, never changed) apart from what was concluded (marks, derived)
and from what the user decided (rulings, words, visits: data), and every change is an entry of its
log that can be taken back.
"""
