"""Many sessions together: conversion of folders, index, course packages, report, practice."""
