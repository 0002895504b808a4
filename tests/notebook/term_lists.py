"""Names in the published term lists, for checking that every term we write exists.

Read from the TDWG repositories of the standards: Darwin Core, ``dist/all_dwc_vertical.csv``; Audiovisual Core
terms of the namespace ``http://rs.tdwg.org/ac/terms/`` as in the published vocabulary.
"""

from __future__ import annotations

_DARWIN_CORE = """
    type modified language license rightsHolder accessRights bibliographicCitation references feedbackURL
    institutionID collectionID datasetID institutionCode collectionCode datasetName ownerInstitutionCode
    basisOfRecord informationWithheld dataGeneralizations dynamicProperties occurrenceID catalogNumber
    recordNumber recordedBy recordedByID individualCount organismQuantity organismQuantityType sex lifeStage
    reproductiveCondition caste behavior vitality establishmentMeans degreeOfEstablishment pathway
    georeferenceVerificationStatus occurrenceStatus associatedMedia associatedOccurrences associatedReferences
    associatedTaxa otherCatalogNumbers occurrenceRemarks organismID organismName organismScope causeOfDeath
    associatedOrganisms previousIdentifications organismRemarks materialEntityID digitalSpecimenID
    materialEntityType preparations disposition verbatimLabel associatedSequences materialEntityRemarks
    materialSampleID eventID parentEventID eventType fieldNumber projectTitle projectID fundingAttributionID
    eventDate eventTime startDayOfYear endDayOfYear year month day verbatimEventDate habitat samplingProtocol
    sampleSizeValue sampleSizeUnit samplingEffort fieldNotes eventRemarks locationID higherGeographyID
    higherGeography continent waterBody islandGroup island country countryCode stateProvince county
    municipality locality verbatimLocality minimumElevationInMeters maximumElevationInMeters
    verbatimElevation verticalDatum minimumDepthInMeters maximumDepthInMeters verbatimDepth
    minimumDistanceAboveSurfaceInMeters maximumDistanceAboveSurfaceInMeters locationAccordingTo
    locationRemarks decimalLatitude decimalLongitude geodeticDatum coordinateUncertaintyInMeters
    coordinatePrecision pointRadiusSpatialFit verbatimCoordinates verbatimLatitude verbatimLongitude
    verbatimCoordinateSystem verbatimSRS footprintWKT footprintSRS footprintSpatialFit georeferencedBy
    georeferencedDate georeferenceProtocol georeferenceSources georeferenceRemarks identificationID
    verbatimIdentification identificationQualifier typeStatus typifiedName identifiedBy identifiedByID
    dateIdentified identificationReferences identificationVerificationStatus identificationRemarks taxonID
    scientificNameID acceptedNameUsageID parentNameUsageID originalNameUsageID nameAccordingToID
    namePublishedInID taxonConceptID scientificName acceptedNameUsage parentNameUsage originalNameUsage
    nameAccordingTo namePublishedIn namePublishedInYear higherClassification kingdom phylum class order
    superfamily family subfamily tribe subtribe genus genericName subgenus infragenericEpithet specificEpithet
    infraspecificEpithet cultivarEpithet taxonRank verbatimTaxonRank scientificNameAuthorship vernacularName
    nomenclaturalCode taxonomicStatus nomenclaturalStatus taxonRemarks measurementID parentMeasurementID
    measurementType verbatimMeasurementType measurementValue measurementAccuracy measurementUnit
    measurementDeterminedBy measurementDeterminedDate measurementMethod measurementRemarks
    resourceRelationshipID resourceID relationshipOfResourceID relatedResourceID relationshipOfResource
    relationshipAccordingTo relationshipEstablishedDate relationshipRemarks
    """

_AUDIOVISUAL_CORE = """
    freqHigh radius reviewerLiteral resourceCreationTechnique mediaDuration variant
    associatedObservationReference physicalSetting yFrac endTimestamp metadataLanguageLiteral caption freqLow
    commenterLiteral frameRate commenter endTime tag taxonCoverage subjectOrientationLiteral
    subjectPartLiteral otherScientificName ServiceAccessPoint taxonCount derivedFrom attributionLogoURL
    variantLiteral subjectCategoryVocabulary IDofContainingCollection captureDevice attributionLinkURL xFrac
    metadataCreatorLiteral provider isROIOf subjectOrientation fundingAttribution metadataCreator providerID
    hasServiceAccessPoint comments RegionOfInterest furtherInformationURL associatedSpecimenReference
    startTime serviceExpectation widthFrac metadataLanguage mediaSpeed reviewerComments
    metadataProviderLiteral licenseLogoURL accessURI variantDescription reviewer providerLiteral
    digitizationDate relatedResourceID hashFunction hashValue subtype subjectPart subtypeLiteral
    startTimestamp metadataProvider licensingException hasROI heightFrac timeOfDay providerManagedID
    """

DARWIN_CORE = frozenset(_DARWIN_CORE.split())
AUDIOVISUAL_CORE = frozenset(_AUDIOVISUAL_CORE.split())
DUBLIN_CORE = frozenset(
    ["identifier", "type", "title", "format", "creator", "modified", "description", "license", "created"]
)
"""Those of ``http://purl.org/dc/terms/`` that concern us (memory)."""
